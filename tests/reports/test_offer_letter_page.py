"""How an offer letter looks and what kind of PDF it is: sizes of print, margins, tags, equal bytes, pictures."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pypdfium2
import pytest
from letter_support import ARC, DIVERTER, HEAD, HEIGHT, LETTER, MESH, NOTHING, TOLD, StoredRun, written
from pypdf import PdfReader

from aftersun import api
from aftersun_reports.offer_letter import OfferLetter
from aftersun_reports.offer_letter.charts import steps
from aftersun_reports.offer_letter.page import page
from aftersun_reports.offer_letter.typeset import Typesetter

NOTES = tuple(replace(HEIGHT, note_id=f"n{n}", text=f"Number {n}. {HEIGHT.text}") for n in range(12))
CROWDED = replace(
    LETTER,
    customer=("W" * 200, "Straße " * 30),
    remark="A remark that goes on. " * 9,
    dangers=(ARC,),
    options=(
        replace(
            DIVERTER,
            parts=(replace(DIVERTER.parts[0], title="Long title " * 18),),
            notes=NOTES,
            survey_first=(written("z" * 200),),
        ),
        MESH,
        NOTHING,
    ),
    site_id="S" * 200,
)


def pdf(letter: api.Letter, head: api.Letterhead = HEAD) -> bytes:
    """Return the PDF of a letter."""
    with TemporaryDirectory() as folder:
        return Typesetter(head, Path(folder)).pdf(page(letter, head))


def pieces(data: bytes) -> Iterator[tuple[str, float]]:
    """Yield each piece of text with the size of its print in points."""
    found: list[tuple[str, float]] = []

    def visit(text: str, matrix: list[float], text_matrix: list[float], font: object, size: float) -> None:
        if text.strip():
            found.append((text.strip(), abs(size * text_matrix[3] * matrix[3])))

    for sheet in PdfReader(io.BytesIO(data)).pages:
        sheet.extract_text(visitor_text=visit)
    yield from found


def sizes(data: bytes, *beginnings: str) -> list[float]:
    """Return the size of the first piece of text that begins so, for each beginning."""
    found = list(pieces(data))
    return [next(size for text, size in found if text.startswith(beginning)) for beginning in beginnings]


def boxes(data: bytes) -> Iterator[tuple[int, tuple[float, float, float, float], tuple[float, float]]]:
    """Yield page, box (left, bottom, right, top) and size of the page of each run of text, in points."""
    document = pypdfium2.PdfDocument(data)
    for index in range(len(document)):
        sheet = document[index]
        text = sheet.get_textpage()
        for rect in range(text.count_rects()):
            yield index, text.get_rect(rect), sheet.get_size()
        text.close()
        sheet.close()
    document.close()


@pytest.mark.slow
def test_safety_is_never_in_smaller_print_than_the_rest() -> None:
    data = pdf(replace(LETTER, dangers=(ARC,)))
    danger, owner = sizes(data, "A burnt smell", "Modules and their cables")
    body = sizes(data, "We recommend", "We spoke about", "A controller that", "Your answers would", "Please phone us")
    assert min(danger, owner) >= max(body)
    assert owner == pytest.approx(10.0, abs=0.05)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nothing_leaves_the_page_or_its_margins(paper: str) -> None:
    for _, (left, bottom, right, top), (width, height) in boxes(pdf(CROWDED, replace(HEAD, paper=paper))):
        assert 55 < left < right < width - 55  # margins are 21 mm, 59.5 points
        assert 20 < bottom < top < height - 35


def test_no_text_lies_on_other_text() -> None:
    placed = list(boxes(pdf(CROWDED)))
    for index, (first, (left, bottom, right, top), _) in enumerate(placed):
        for other, (left_2, bottom_2, right_2, top_2), _ in placed[index + 1 :]:
            wide, high = min(right, right_2) - max(left, left_2), min(top, top_2) - max(bottom, bottom_2)
            # boxes of lines reach over each other by accents and descenders; half a line means printed on top
            assert not (first == other and wide > 1 and high > 0.5 * min(top - bottom, top_2 - bottom_2, 10))


def test_a_second_write_gives_the_same_bytes() -> None:
    assert pdf(LETTER) == pdf(LETTER)
    assert pdf(CROWDED) == pdf(CROWDED)


def test_title_language_and_date_are_the_letter_s() -> None:
    reader = PdfReader(io.BytesIO(pdf(LETTER, replace(HEAD, language="de"))))
    assert reader.metadata is not None
    assert reader.metadata.title == "Angebot 2026-000012, Fassung 1: Ihre Solaranlage"
    assert reader.metadata.author == "Larkmoor Roofs & Light (invented)"
    assert reader.metadata["/CreationDate"] == "D:20260504000000Z"
    assert reader.trailer["/Root"]["/Lang"] == "de"


def test_it_is_tagged_and_accessible_and_tagged_still_where_a_glyph_is_missing() -> None:
    plain = PdfReader(io.BytesIO(pdf(LETTER)))
    assert b"<pdfuaid:part>1</pdfuaid:part>" in plain.trailer["/Root"]["/Metadata"].get_data()
    missing = PdfReader(io.BytesIO(pdf(replace(LETTER, customer=("山田 Yamada",)))))
    assert b"pdfuaid" not in missing.trailer["/Root"]["/Metadata"].get_data()
    assert missing.trailer["/Root"]["/MarkInfo"]["/Marked"]


def test_a_language_written_from_the_right_keeps_its_numbers_in_one_piece() -> None:
    head = replace(HEAD, language="he", words={"greeting": "שלום,"})
    reader = PdfReader(io.BytesIO(pdf(LETTER, head)))
    assert reader.trailer["/Root"]["/Lang"] == "he"
    assert b"<pdfuaid:part>1</pdfuaid:part>" in reader.trailer["/Root"]["/Metadata"].get_data()
    rows = page(LETTER, head)["options"]["groups"][0]["rows"]
    assert next(row for row in rows if row["key"] == "net_worth")["cells"][1]["main"] == "\u2066−240\u00a0EUR\u2069"


def test_charts_have_words_for_those_who_do_not_see_them() -> None:
    texts = page(LETTER, HEAD)
    assert (
        "A, Hot water from surplus: −893\u00a0EUR on the day of the work, 442\u00a0EUR after 12 years."
        in texts["cash"]["alt"]
    )
    assert texts["months"]["alt"]


def test_options_are_told_apart_without_colour() -> None:
    chart = page(replace(LETTER, options=(DIVERTER, MESH, replace(MESH, offer="c"), NOTHING)), HEAD)["cash"]
    assert [line["style"] for line in chart["lines"]] == [0, 1, 2]  # a dash pattern each
    assert [line["letter"] for line in chart["lines"]] == ["A", "B", "C"]
    assert chart["nothing"]["letter"] == "D"


def test_letters_stay_with_their_options_when_one_has_no_line() -> None:
    chart = page(replace(LETTER, options=(TOLD, MESH, NOTHING)), HEAD)["cash"]
    assert [line["letter"] for line in chart["lines"]] == ["B"]


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (-1284.0, 442.0, [-1500.0, -1000.0, -500.0, 0.0, 500.0]),
        (0.0, 471.0, [0.0, 100.0, 200.0, 300.0, 400.0, 500.0]),
        (0.0, 1.0, [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]),
    ],
)
def test_marks_of_an_axis_are_round_and_enclose_what_is_drawn(low: float, high: float, expected: list[float]) -> None:
    assert steps(low, high) == pytest.approx(expected)


def test_an_axis_of_nothing_has_two_marks() -> None:
    marks = steps(0.0, 0.0)
    assert marks[0] == 0.0 < marks[-1]


@pytest.mark.parametrize(
    "letter",
    [
        replace(LETTER, options=()),
        replace(LETTER, options=(NOTHING,)),
        replace(LETTER, options=(TOLD, NOTHING), dangers=(ARC,)),
        replace(LETTER, options=(DIVERTER, MESH, TOLD, replace(MESH, offer="d"), NOTHING)),
        replace(LETTER, today=(), losses=(), system=(), findings=(), questions=(), remark=""),
        replace(LETTER, customer=(), weather=None, sales_tax_rate=0.0),
        replace(
            LETTER,
            today=tuple(replace(month, generated_kwh=0.0, used_kwh=0.0, exported_kwh=0.0) for month in LETTER.today),
        ),
    ],
)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_a_letter_with_little_or_much_in_it_is_set(letter: api.Letter) -> None:
    assert PdfReader(io.BytesIO(pdf(letter))).pages


def test_a_pale_colour_of_the_house_is_not_used_for_text() -> None:
    assert page(LETTER, replace(HEAD, accent_colour="#ffe000"))["accent_reads"] is False
    assert page(LETTER, replace(HEAD, accent_colour="#1f6f63"))["accent_reads"] is True
    assert page(LETTER, replace(HEAD, accent_colour="#777777"))["accent_reads"] is False  # 4.48 to 1, just too pale
    assert page(LETTER, replace(HEAD, accent_colour="#767676"))["accent_reads"] is True  # 4.54 to 1


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0"), (-0.4, "0"), (999.5, "1'000"), (1234567.0, "1'234'600"), (-1234.0, "−1'234")]
)
def test_thousands_are_parted_by_the_company_s_mark(value: float, text: str) -> None:
    option = replace(DIVERTER, npv=value)
    cells = page(replace(LETTER, options=(option,)), replace(HEAD, thousands_mark="'"))["options"]["groups"][0]["rows"]
    (cell,) = next(row for row in cells if row["key"] == "net_worth")["cells"]
    assert cell["main"] == f"{text}\u00a0EUR"


@pytest.mark.parametrize(("assumed", "said"), [(True, "we assume that it ends"), (False, "we count with its end")])
def test_what_it_is_worth_if_the_export_rule_stayed_stands_below_what_is_left(assumed: bool, said: str) -> None:
    ending = replace(DIVERTER, npv_if_rule_stays=812.0, rule_ends_in_years=8.0, rule_end_assumed=assumed)
    rows = page(replace(LETTER, options=(ending, MESH, NOTHING)), HEAD)["options"]["groups"][0]["rows"]
    keys = [row["key"] for row in rows]
    assert keys[keys.index("net_worth") + 1] == "rule_stays"
    first, *others = rows[keys.index("rule_stays")]["cells"]
    assert first["main"].startswith("812")
    assert first["more"][0].startswith(f"{said} in 8.0 years")
    assert not any(cell["main"] for cell in others)
    without = page(replace(LETTER, options=(DIVERTER, MESH, NOTHING)), HEAD)["options"]["groups"][0]["rows"]
    assert "rule_stays" not in [row["key"] for row in without]


def test_prices_without_fractions_have_no_decimals_and_half_a_cent_rounds_up() -> None:
    whole = replace(DIVERTER, price=120.0, price_before=120.0, sales_tax=20.0, price_lines=())
    broken = replace(whole, price=120.145, price_before=120.145)

    def price(option: api.LetterOption) -> str:
        rows = page(replace(LETTER, currency="JPY", options=(option,)), HEAD)["options"]["groups"][0]["rows"]
        text: str = next(row for row in rows if row["key"] == "price")["cells"][0]["main"]
        return text

    assert price(whole) == "120\u00a0JPY"
    assert price(broken) == "120.15\u00a0JPY"


@pytest.mark.parametrize(
    ("unit", "used", "span"),
    [
        ("share", "25\u00a0%", "10 to 50\u00a0%"),
        ("chance", "25\u00a0%", "10 to 50\u00a0%"),
        ("share of the price", "25\u00a0% of the price", "10 to 50\u00a0% of the price"),
        ("a", "0.25\u00a0years", "0.1 to 0.5\u00a0years"),
        ("1/a", "0.25\u00a0a year", "0.1 to 0.5\u00a0a year"),
        ("ratio", "0.25", "0.1 to 0.5"),
        ("kg/m2", "0.25\u00a0kg/m2", "0.1 to 0.5\u00a0kg/m2"),
    ],
)
def test_assumptions_have_their_units_in_words(unit: str, used: str, span: str) -> None:
    assumed = api.LetterAssumption("something", 0.25, 0.1, 0.5, unit, "assumption", "", False)
    (row,) = page(replace(LETTER, options=(replace(DIVERTER, assumptions=(assumed,)),)), HEAD)["assumptions"]["rows"]
    assert (row["used"], row["range"]) == (used, span)


def png() -> bytes:
    """Return a picture of one dark pixel."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 1, 1, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0\x10\x20\x30"))
        + chunk(b"IEND", b"")
    )


@pytest.mark.slow
def test_the_logo_stands_on_the_first_page() -> None:
    svg = b'<svg xmlns="http://www.w3.org/2000/svg" width="4" height="1"><rect width="4" height="1" fill="#123"/></svg>'
    with_png = PdfReader(io.BytesIO(pdf(LETTER, replace(HEAD, logo=png(), logo_format="png"))))
    assert len(with_png.pages[0].images) == 1
    assert pdf(LETTER, replace(HEAD, logo=svg, logo_format="svg")) != pdf(LETTER)


def test_a_logo_that_is_no_picture_is_one_sentence_and_writes_nothing(tmp_path: Path) -> None:
    head = replace(HEAD, logo=b"no picture", logo_format="png")
    with pytest.raises(api.AftersunError, match="logo of the letterhead cannot be read"):
        OfferLetter().write(StoredRun([LETTER], head), tmp_path, {})
    assert not list(tmp_path.iterdir())
