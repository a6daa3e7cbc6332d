"""What an offer letter says, read back from its PDF."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from letter_support import ARC, DIVERTER, HEAD, HEIGHT, LETTER, MESH, NOTHING, NOTICE, TOLD, StoredRun, written
from pypdf import PdfReader

from aftersun import api
from aftersun_reports.offer_letter import JobSheet, OfferLetter, aftersun_outputs
from aftersun_reports.offer_letter.wording import english

HOSTILE = '=1+1 #import "@preview/a:1": * $x^2$ *bold* _it_ \\ `raw` <b>b</b> @ref // c /* [#panic()] {price} ../../etc'

Write = Callable[..., list[Path]]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write letters into a new folder and return their files."""
    return writing(OfferLetter(), tmp_path)


@pytest.fixture
def jobs(tmp_path: Path) -> Write:
    """Write job sheets into a new folder and return their files."""
    return writing(JobSheet(), tmp_path)


def writing(output: OfferLetter, tmp_path: Path) -> Write:
    def written(
        *letters: api.Letter, head: api.Letterhead = HEAD, settings: dict[str, str] | None = None
    ) -> list[Path]:
        folder = tmp_path / f"out{len(list(tmp_path.iterdir()))}"
        folder.mkdir()
        return list(output.write(StoredRun(letters, head), folder, settings or {}))

    return written


def text_of(path: Path) -> str:
    """Return the text of all pages without what divides lines, words and parts of words."""
    return bare("".join(page.extract_text() for page in PdfReader(path).pages))


def bare(text: str) -> str:
    """Return text without spaces, zero-width spaces and hyphens, so that line ends do not matter."""
    return re.sub(r"[\s\u00a0\u200b\u00ad\u2010-]", "", text)


def without_breaks_of_pages(path: Path) -> str:
    """Return the text with feet of pages and repeated heads of the table of options taken out."""
    pages = [page.extract_text() for page in PdfReader(path).pages]
    return bare("".join(re.sub(r"Offer \S+, version \d+\s*Page \d+ of \d+", "", page) for page in pages))


def test_the_hook_brings_an_output_of_letters_that_needs_names() -> None:
    outputs = [(output.id, output.of, output.personal) for output in aftersun_outputs()]
    assert outputs == [("offer_letter", api.OF_LETTER, True), ("site_job_sheet", api.OF_LETTER, True)]


@pytest.mark.slow
def test_what_is_no_energy_has_a_line_of_its_own(write: Write) -> None:
    apart = (api.LetterPrice("avoided nuisance", "bird_clean_up", 0.75, "clean-up", 165.0),)
    with_birds, without = (
        text_of(path)
        for apart_of in (apart, ())
        for path in write(replace(LETTER, options=(replace(MESH, apart=apart_of), NOTHING)))
    )
    line = bare("Birds' noise, mess and blocked gutters") + "165"
    assert bare("Of this about so much is no energy") in with_birds
    assert line in with_birds
    assert bare("no energy") not in without


def test_number_version_dates_and_origin_stand_in_it(write: Write) -> None:
    (path,) = write(LETTER)
    text = text_of(path)
    for expected in (
        "Offer2026000012",
        "Date4May2026",
        "Validuntil3July2026",
        "pricesof15April2026",
        "calculatedasof1May2026",
        "runrun20260504081502",
        "programaftersun0.1.0",
        "EddaQvist",
        "Lärchenweg7",
        "LarkmoorRoofs&Light(invented)",
        "HRB0000",
        "weather:Atypicalyearmadefromthebuiltinclimatenormals",
    ):
        assert expected in text


def test_prices_ranges_and_chances_stand_in_it(write: Write) -> None:
    text = text_of(write(LETTER)[0])
    for expected in (
        "892.50EUR",
        "incl.19%tax:142.50",
        "952.00EURbeforethereduction",
        "1,284.00EUR",
        "487.90",
        "108EURrange59to172evenover12years",
        "190EURrange−310to819over12years",
        "−240EURrange−1,120to1,191over15years",
        "68%",
        "31%",
        "after9.3years",
        "notwithin15years",
    ):
        assert expected in text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_it_has_three_pages_or_four_of_the_paper_asked_for(write: Write, paper: str) -> None:
    reader = PdfReader(write(LETTER, head=replace(HEAD, paper=paper))[0])
    width, height = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}[paper]
    assert len(reader.pages) in (3, 4)
    assert all(len(page.extract_text().splitlines()) > 8 for page in reader.pages)  # none with a few lines alone
    assert float(reader.pages[0].mediabox.width) == pytest.approx(width, abs=0.1)
    assert float(reader.pages[0].mediabox.height) == pytest.approx(height, abs=0.1)


def test_every_safety_note_is_whole_in_the_job_sheet_and_the_owner_has_five_sentences_at_most(
    write: Write, jobs: Write
) -> None:
    letter = replace(LETTER, dangers=(ARC,), options=(DIVERTER, MESH, TOLD, NOTHING))
    (sheet,) = jobs(letter)
    assert len(PdfReader(sheet).pages) == 3  # a page a job
    pages = [bare(page.extract_text()) for page in PdfReader(sheet).pages]
    for page, option in zip(pages, (DIVERTER, MESH, TOLD), strict=True):
        for note in option.notes:
            assert bare(note.text) + "Whomaydoit:" + bare(note.who) in page
        assert bare(ARC.text) in page  # a hazard that stands is told to every crew
    text = text_of(write(letter)[0])
    safety = text[text.index("Foryoursafety") : text.index("Annex:")]
    assert 3 <= safety.count("•") <= 5
    assert not any(bare(note.text) in safety for option in (DIVERTER, MESH) for note in option.notes)


def test_no_note_is_lost_between_letter_and_job_sheet_however_many_there_are(write: Write, jobs: Write) -> None:
    notes = tuple(replace(ARC, note_id=f"n{n}", text=f"Number {n}. {ARC.text} {ARC.text}") for n in range(12))
    letter = replace(LETTER, options=(replace(DIVERTER, notes=notes), NOTHING))
    both = text_of(write(letter)[0]) + text_of(jobs(letter)[0])
    assert [both.count(bare(note.text)) for note in notes] == [1] * 12


def test_a_job_sheet_has_address_access_parts_measurements_and_sign_off_and_no_price(jobs: Write) -> None:
    text = text_of(jobs(LETTER)[0])
    for present in (
        "EddaQvist",
        "Lärchenweg7",
        "Accessandwhattolookatfirst",
        "whetherthestorehasanimmersionheaterofitsown.",
        "Scaffoldtower",
        "insulationresistance,Mohm",
        "Crewleader,date,time",
    ):
        assert present in text
    assert "EUR" not in text
    assert "892.50" not in text


def test_page_one_is_what_a_customer_signs(write: Write) -> None:
    first = bare(PdfReader(write(LETTER)[0]).pages[0].extract_text())
    for present in (
        "DearEddaQvist,",
        "WerecommendHotwaterfromsurplus:acontrollerthatheats",
        "Itcosts892.50EURandshouldsaveyouabout108EURayearover12years,sothatitispaidbackafter9.3years.",
        "Afteritspriceyoushouldbeleftwithabout190EUR,andthechancethatitbringsmorethanitcostsis68%.",
        "Inninecasesoutoftenyouareleftwithmorethan−310EUR,inoneoftenwithmorethan819EUR.",
        "Validuntil3July2026",
        "Howtoaccept",
        "Telephone05550100,office@larkmoor.example",
        "Signature",
        "Donothingnow",
    ):
        assert present in first


def test_a_quotation_has_whole_quantities_and_what_may_be_needed_says_so(write: Write) -> None:
    lines = (
        api.LetterPrice("material", "mixing_valve", 0.5, "piece", 80.0),
        api.LetterPrice("material", "connector_pair", 11.4, "pair", 210.0),
        api.LetterPrice("material", "bird_mesh", 23.7488, "m", 400.0),
        api.LetterPrice("labour", "electrician", 2.62, "h", 262.0),
    )
    text = text_of(write(replace(LETTER, options=(replace(DIVERTER, price_lines=lines), NOTHING)))[0])
    for present in ("Mixingvalve,ifneeded:includedataflatshare", "Connectorpair,asmanyasneeded", "Birdmesh,24m"):
        assert present in text
    for absent in ("0.5", "11.4", "23.7", "2.62"):
        assert absent not in text


def test_dangers_stand_before_everything_that_is_proposed(write: Write) -> None:
    first_page = bare(PdfReader(write(replace(LETTER, dangers=(ARC,)))[0]).pages[0].extract_text())
    danger = first_page.index(bare(ARC.text))
    assert danger < first_page.index("DearEdda")
    assert danger < first_page.index("Howtoaccept")


@pytest.mark.slow
def test_with_a_known_danger_doing_nothing_is_not_called_harmless_and_the_company_is_to_be_phoned(write: Write) -> None:
    letter = replace(LETTER, dangers=(ARC,), options=(TOLD, NOTHING))
    text = text_of(write(letter)[0])
    for present in (
        "Donothingmorenow",
        "Thehazardnamedabovestaysuntilitisputright.",
        "Pleasephoneusaboutthehazardnamedabove,whateveryoudecide:Telephone05550100,office@larkmoor.example.",
    ):
        assert present in text
    for absent in ("goesonasitis", "Itcostsnothing", "nothinghappens", "Doingnothingisone"):
        assert absent not in text
    without = text_of(write(letter, head=replace(HEAD, contact=()))[0])
    assert "Pleasephoneusaboutthehazardnamedabove,whateveryoudecide.Fortherest" in without
    assert "nothinghappens" in text_of(write(LETTER)[0])


def test_a_safety_notice_is_one_page_with_the_dangers_and_nothing_of_an_offer(write: Write) -> None:
    (path,) = write(replace(NOTICE, dangers=(ARC, HEIGHT)))
    assert len(PdfReader(path).pages) == 1
    text = text_of(path)
    for present in (
        "Safetynotice",
        "Notice2026000012",
        bare(ARC.text) + "Whomaydoit:" + bare(ARC.who),
        bare(HEIGHT.text) + "Whomaydoit:" + bare(HEIGHT.who),
        "Localcodesandlicensedpracticecomefirst",
        "Untilitisputright:touchnoconnector,cable,moduleoropencover",
        "Pleasephoneusaboutitassoonasyoucan:Telephone05550100,office@larkmoor.example.",
        "Thisisnooffer",
    ):
        assert present in text
    for absent in ("EUR", "Price", "prices", "Whatwepropose", "Validuntil", "Computed", "Chance", "weather", "Today"):
        assert absent not in text
    assert PdfReader(path).metadata.title == "Safety notice 2026-000012, version 1: your solar system"  # type: ignore[union-attr]


def test_the_texts_of_a_notice_are_in_the_size_of_the_body(write: Write) -> None:
    (path,) = write(NOTICE)
    sizes = []

    def visit(text: str, matrix: list[float], text_matrix: list[float], font: object, size: float) -> None:
        if text.strip().startswith(("A burnt smell", "Please phone us")):
            sizes.append(abs(size * text_matrix[3] * matrix[3]))

    PdfReader(path).pages[0].extract_text(visitor_text=visit)
    assert sizes == [pytest.approx(10.0, abs=0.05)] * 2


def test_what_has_to_be_looked_at_is_told_of_a_safety_matter_too(write: Write) -> None:
    unsure = replace(
        TOLD, survey_first=(written("which plugs are old"), written("which plugs belong to the electronics"))
    )
    text = text_of(write(replace(LETTER, dangers=(ARC,), options=(unsure, NOTHING)))[0])
    assert "Tobelookedatfirstwhichplugsareold;whichplugsbelongtotheelectronics." in text


def test_losses_that_are_averages_say_so_and_the_first_row_is_no_gain(write: Write) -> None:
    losses = (api.LetterLoss("in_plane_kwh", -4520.0), api.LetterLoss("droppings_kwh", 96.0, by_chance=True))
    text = text_of(write(replace(LETTER, losses=losses))[0])
    assert "inplaneirradiation,attheratedefficiency4,520" in text
    assert "birdsoiling(average,notknownwhetheratyours)−96" in text


def test_what_is_told_and_not_sold_has_a_price_and_notes_but_no_promise(write: Write) -> None:
    text = text_of(write(replace(LETTER, dangers=(ARC,), options=(TOLD, MESH, NOTHING)))[0])
    for absent in ("SALESTEXT", "7,777", "7,776", "8,888", "8,889", "2to5%moreenergy"):
        assert absent not in text
    for present in ("731.85EUR", "forsafetyonly", "Ahasnoline", "doneforsafety,nottosavemoney", bare(ARC.text)):
        assert present in text
    assert "WithA" not in text  # its year is not held against today's


def test_where_nothing_is_promised_there_is_no_row_of_gains_and_no_assumption_for_any(write: Write) -> None:
    only_told = replace(TOLD, assumptions=DIVERTER.assumptions)
    text = text_of(write(replace(LETTER, dangers=(ARC,), options=(only_told, NOTHING)))[0])
    for absent in ("Whatitshouldbring", "Chancethat", "Haspaid", "Ranges:", "Whatweassumed"):
        assert absent not in text
    assert "doneforsafety,nottosavemoney" in text


def test_a_gain_without_range_says_so(write: Write) -> None:
    option = replace(DIVERTER, yearly_p90=None, yearly_p10=None, npv_p90=None, npv_p10=None, chance_npv_positive=None)
    assert text_of(write(replace(LETTER, options=(option, NOTHING)))[0]).count("rangenotcomputed") == 2


def test_claims_stand_beside_what_was_computed_and_assumptions_with_their_range(write: Write) -> None:
    text = text_of(write(LETTER)[0])
    for expected in (
        "Freehotwaterfromsurplus,paidbackwithintwoyears.",
        "59to172EURayear;paidbackafterabout9years.",
        "efficiencyofthepresentboileroverayear",
        "82%70to90%SAP10.2",
        "12years8to18years",
        "Setbyus:maker'swarranty(servicedesk).",
        "Doesyourhotwaterstorehaveanimmersionheater?",
        "Theanswercouldturnouradviceon:Hotwaterfromsurplus.Knowingitbringsyouabout180EUR.",
    ):
        assert expected in text


def test_how_many_assumptions_were_left_out_is_said_and_those_that_turn_the_advice_stay(write: Write) -> None:
    many = tuple(
        api.LetterAssumption(f"quantity {n}!", 1.0, 0.5, 2.0, "m", "assumption", "", turns=n == 19) for n in range(20)
    )
    text = text_of(write(replace(LETTER, options=(replace(DIVERTER, assumptions=many), NOTHING)))[0])
    # the six first ones and the one that turns the advice
    assert [n for n in range(20) if f"quantity{n}!" in text] == [0, 1, 2, 3, 4, 5, 19]
    assert "13morenumbersthatmatterlesswereassumed" in text


@pytest.mark.slow
def test_a_second_version_says_what_changed_and_a_first_does_not(write: Write) -> None:
    later = replace(
        LETTER,
        version=2,
        changes=(
            api.LetterFact(
                "change_price", {"option": ("Bird mesh",), "before": 952.0, "after": 900.5, "currency": "EUR"}
            ),
        ),
    )
    first, second = write(LETTER, later)
    assert "Whatchangedsinceversion1•Birdmesh:thepricechangedfrom952.00to900.50EUR." in text_of(second)
    assert "Whatchanged" not in text_of(first)


def test_a_year_s_sums_of_energy_are_those_of_its_months(write: Write) -> None:
    # generated 118 + 176 + ... + 98 = 3592, used 81 + 104 + ... + 70 = 1541; of the rest, 2051, 0.6 heats water
    text = text_of(write(LETTER)[0])
    for expected in ("generated3,5923,592", "usedatonce1,5411,541", "tohotwater01,231", "fedintothegrid2,051820"):
        assert expected in text


def test_any_text_can_be_replaced_and_numbers_have_the_company_s_marks(write: Write) -> None:
    words = {key: re.sub(r"[A-Za-z]", "ñ", re.sub(r"\{[^}]+\}", "", text)) for key, text in english().items()}
    words["option_letters"] = "ABC"
    marks = {"decimal_mark": ",", "thousands_mark": ".", "date_format": "%d.%m.%Y", "currency_first": True}
    head = replace(HEAD, words=words, language="fr", **marks)  # type: ignore[arg-type]
    text = text_of(write(replace(LETTER, dangers=(ARC,), changes=(written("x"),), version=2), head=head)[0])
    for english_text in (
        "Offer",
        "Goodday",
        "Whatwe",
        "Danger",
        "Jan",
        "Today",
        "Yourenergy",
        "onaverage",
        "range",
    ):
        assert english_text not in text
    for present in ("EUR1.284,00", "EUR892,50", "04.05.2026"):
        assert present in text


def test_a_text_that_the_language_file_lacks_stays_english(write: Write) -> None:
    text = text_of(write(LETTER, head=replace(HEAD, words={"greeting": "Guten Tag,", "unknown": "x"}))[0])
    assert "GutenTag,WerecommendHotwaterfromsurplus" in text


def test_text_from_data_is_printed_as_it_is_and_never_read_as_markup(write: Write) -> None:
    note = replace(ARC, text=HOSTILE, who=HOSTILE)
    option = replace(
        DIVERTER,
        parts=(replace(DIVERTER.parts[0], title=HOSTILE, summary=HOSTILE),),
        price_lines=(api.LetterPrice("material", HOSTILE, 1.0, "piece", 952.0),),
        claims=(api.LetterClaim(HOSTILE, HOSTILE, written(HOSTILE)),),
        survey_first=(written(HOSTILE),),
        notes=(note,),
    )
    letter = replace(
        LETTER,
        customer=(HOSTILE, HOSTILE),
        site_id=HOSTILE,
        weather=written(HOSTILE),
        system=(api.LetterFact("fact_inverter", {"year": HOSTILE}),),
        findings=(written(HOSTILE),),
        dangers=(note,),
        options=(option, NOTHING),
        questions=(api.LetterQuestion(HOSTILE, (HOSTILE,), 1.0),),
        remark=HOSTILE,
        changes=(written(HOSTILE),),
        run_id=HOSTILE,
        program_version=HOSTILE,
    )
    text = text_of(write(letter, head=replace(HEAD, name=HOSTILE, closing=(HOSTILE,)))[0])
    assert text.count(bare(HOSTILE)) >= 22


@pytest.mark.slow
def test_unbroken_words_of_200_characters_are_whole(write: Write) -> None:
    letter = replace(LETTER, customer=("W" * 200,), remark="x" * 200, findings=(written("y" * 200),), site_id="S" * 200)
    text = without_breaks_of_pages(write(letter)[0])
    assert all(mark * 200 in text for mark in "WxyS")


@pytest.mark.parametrize(
    "name", ["Łukasz Müller-Ångström", "שרה Levi", "مريم Haddad", "山田 Yamada", "\U0001f600 Smile"]
)
@pytest.mark.slow
def test_names_in_any_script_make_a_letter_and_keep_their_latin_part(write: Write, name: str) -> None:
    text = text_of(write(replace(LETTER, customer=(name, "Lärchenweg 7")))[0])
    latin = "".join(re.findall(r"[A-Za-zÀ-ž]", name))
    assert latin in text
    assert "Lärchenweg7" in text


def test_marks_that_turn_text_around_and_control_characters_are_taken_out(write: Write) -> None:
    text = text_of(write(replace(LETTER, customer=("Anna\u202egnp\u2066.exe", "a\x00b\x1bc", "half \ud800 pair")))[0])
    for present in ("Annagnp.exe", "abc", "half?pair"):
        assert present in text


@pytest.mark.parametrize("number", ["../../etc/passwd", "C:\\x\t=1", "…", "9" * 300])
def test_file_names_are_harmless_whatever_the_number(write: Write, number: str) -> None:
    assert write(replace(LETTER, number=number))[0].name == "letter-1.pdf"


@pytest.mark.slow
def test_one_file_a_letter_in_the_order_of_the_letters(write: Write) -> None:
    numbers = ["2026-000003", "2026-000001", "2026-000002"]
    paths = write(*(replace(LETTER, number=number) for number in numbers))
    assert len(set(paths)) == 3
    for number, path in zip(numbers, paths, strict=True):
        assert f"Offer{bare(number)}" in text_of(path)


def test_without_letters_nothing_is_written(write: Write) -> None:
    assert write() == []


def test_no_connection_is_opened(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*args: object, **kwargs: object) -> None:
        raise AssertionError("a letter opens no connection")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    assert write(LETTER)


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [({"colour": "red"}, "no setting 'colour'"), ({"fonts": "/nowhere/at/all"}, "no folder of fonts")],
)
def test_settings_that_cannot_be_followed_are_refused(write: Write, settings: dict[str, str], sentence: str) -> None:
    with pytest.raises(api.AftersunError, match=sentence):
        write(LETTER, settings=settings)


@pytest.mark.slow
def test_a_letter_in_a_batch_is_the_same_as_alone(write: Write) -> None:
    letters = [replace(LETTER, number=f"2026-{n:06d}", customer=(f"Name {n}",)) for n in range(3)]
    together = write(*letters)
    for letter, path in zip(letters, together, strict=True):
        assert write(letter)[0].read_bytes() == path.read_bytes()
