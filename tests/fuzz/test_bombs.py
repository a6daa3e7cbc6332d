"""Files that would take the machine's memory or time are refused within seconds, in a process with little of either.

Sizes are simulated: a sparse file, a file of one line written once, archives that unpack to far more than they are.
"""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from aftersun.inventory.loading.bounds import LARGEST_FILE, LONGEST_LINE, MOST_COLUMNS, MOST_ROWS
from aftersun.inventory.loading.table_file import read_file
from aftersun.model.errors import AftersunError

SECONDS = 10
MEMORY_MB = 300
CHILD = Path(__file__).with_name("bounded_child.py")

_SHEET = "xl/worksheets/sheet1.xml"
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_HEAD = f'<worksheet xmlns="{_MAIN}"><sheetData>'.encode()
_TAIL = b"</sheetData></worksheet>"
_HEADER_ROW = b'<row r="1"><c r="A1" t="inlineStr"><is><t>site_id</t></is></c></row>'

Parts = dict[str, Iterable[bytes]]
Refused = Callable[..., None]


@pytest.fixture(scope="module")
def refused() -> Iterator[Refused]:
    """A check that the reader refuses a file in a sentence, soon, and without taking it in."""
    program = [sys.executable, str(CHILD)]
    with subprocess.Popen(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        ask, answers = child.stdin, child.stdout

        def check(path: Path, words: str, kind: str = "table") -> None:
            ask.write(f"{kind}\t{path}\n")
            ask.flush()
            answer = answers.readline()
            assert answer, f"the reader broke down: {child.wait()}"
            found = json.loads(answer)
            assert words in found["told"], found
            assert found["seconds"] < SECONDS, found
            assert found["grown_mb"] < MEMORY_MB, found

        yield check
        ask.close()
        assert child.wait() == 0


def _workbook(path: Path, **parts: Iterable[bytes]) -> Path:
    """An ordinary workbook with other parts, put in piece by piece; "sheet" is the first sheet."""
    plain = path.with_name("plain.xlsx")
    book = openpyxl.Workbook()
    book.active.append(["site_id"])
    book.save(plain)
    with zipfile.ZipFile(plain) as archive:
        content: Parts = {name: [archive.read(name)] for name in archive.namelist()}
    content |= {_SHEET if name == "sheet" else name: pieces for name, pieces in parts.items()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, pieces in content.items():
            with archive.open(name, "w", force_zip64=True) as part:
                for piece in pieces:
                    part.write(piece)
    return path


def _repeated(piece: bytes, times: int, size: int = 1 << 20) -> Iterator[bytes]:
    many = max(size // len(piece), 1)
    for _ in range(times // many):
        yield piece * many
    yield piece * (times % many)


def _sheet(*pieces: Iterable[bytes]) -> Iterator[bytes]:
    yield _HEAD
    for piece in pieces:
        yield from piece
    yield _TAIL


@pytest.mark.slow
def test_workbook_that_unpacks_to_gigabytes(refused: Refused, tmp_path: Path) -> None:
    row = b"<row><c><v>1</v></c></row>" + b" " * 4_000
    path = _workbook(tmp_path / "a.xlsx", sheet=_sheet(_repeated(row, 250_000)))
    assert path.stat().st_size < LARGEST_FILE / 50
    refused(path, "it unpacks to 1,006,5")


_TAGS: dict[str, tuple[Callable[[], Iterable[bytes]], str]] = {
    "elements of no meaning": (lambda: _repeated(b"<a/>", 1_100_000), "elements that are no rows"),
    "one endless row": (lambda: [b"<row>", *_repeated(b"<c/>", 5_000_000), b"</row>"], "elements in a row"),
    "deep": (lambda: [*_repeated(b"<a>", 1_000_000), *_repeated(b"</a>", 1_000_000)], "more than 100 deep"),
    "one endless text": (
        lambda: [b'<row><c t="inlineStr"><is><t>', *_repeated(b"x", 50_000_000), b"</t></is></c></row>"],
        "without a tag",
    ),
    "a wide row": (
        lambda: [_HEADER_ROW, b'<row r="2"><c r="A2"><v>1</v></c><c r="XFD2"><v>1</v></c></row>'],
        f"16,384 cells on line 2; {MOST_COLUMNS:,} is the most",
    ),
}


@pytest.mark.parametrize("name", _TAGS)
@pytest.mark.slow
def test_sheets_made_to_grow(refused: Refused, tmp_path: Path, name: str) -> None:
    pieces, words = _TAGS[name]
    refused(_workbook(tmp_path / "a.xlsx", sheet=_sheet(pieces())), words)


@pytest.mark.slow
def test_a_row_far_down(refused: Refused, tmp_path: Path) -> None:
    far = b'<row r="999999999"><c><v>1</v></c></row>'
    refused(_workbook(tmp_path / "a.xlsx", sheet=_sheet([_HEADER_ROW, far])), "more than 1,048,576 rows")


_ENTITIES = {
    "ten to the ninth": "".join(
        f'<!ENTITY e{number} "{f"&e{number - 1};" * 10 if number else "x" * 10}">' for number in range(9)
    ),
    "from another file": '<!ENTITY e8 SYSTEM "file:///etc/hostname">',
    "from the network": '<!ENTITY e8 SYSTEM "http://127.0.0.1:9/x">',
    "parameter": '<!ENTITY % p SYSTEM "file:///etc/hostname"> %p;',
}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("part", [_SHEET, "xl/workbook.xml", "xl/styles.xml", "[Content_Types].xml"])
@pytest.mark.parametrize("declared", _ENTITIES.values(), ids=_ENTITIES)
def test_entities_are_not_followed(tmp_path: Path, declared: str, part: str, encoding: str) -> None:
    sheet = '<row><c t="inlineStr"><is><t>&e8;</t></is></c></row>'
    head = f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE x [{declared}]>'
    text = f"{head}{_HEAD.decode()}{sheet}{_TAIL.decode()}"
    path = _workbook(tmp_path / "a.xlsx", **{part: [text.encode(encoding)]})
    with pytest.raises(AftersunError, match="declares a document type"):
        read_file(path, "site")


@pytest.mark.slow
def test_a_text_shared_by_a_hundred_thousand_cells(refused: Refused, tmp_path: Path) -> None:
    strings = [f'<sst xmlns="{_MAIN}"><si><t>{"x" * 30_000}</t></si></sst>'.encode()]
    rows = _sheet([_HEADER_ROW], _repeated(b'<row><c t="s"><v>0</v></c></row>', 100_000))
    with zipfile.ZipFile(_workbook(tmp_path / "b.xlsx")) as archive:
        types = archive.read("[Content_Types].xml").decode()
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    types = types.replace("</Types>", f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}"/></Types>')
    parts: Parts = {"sheet": rows, "xl/sharedStrings.xml": strings, "[Content_Types].xml": [types.encode()]}
    path = _workbook(tmp_path / "a.xlsx", **parts)
    refused(path, f"more than {LARGEST_FILE:,} characters")


@pytest.mark.parametrize("kind", ["table", "weather", "rain"])
def test_two_gigabytes_that_are_not_there(refused: Refused, tmp_path: Path, kind: str) -> None:
    path = tmp_path / "a.csv"
    with path.open("wb") as file:
        file.write(b"site_id,customer_id\n")
        file.truncate(2_000_000_000)
    refused(path, "too much" if kind == "table" else "too large", kind)


@pytest.mark.parametrize("name", ["a.xlsx", "a.parquet"])
def test_two_gigabytes_of_another_kind(refused: Refused, tmp_path: Path, name: str) -> None:
    with (tmp_path / name).open("wb") as file:
        file.truncate(2_000_000_000)
    refused(tmp_path / name, "2,000,000,000 bytes")


@pytest.fixture(scope="module")
def one_line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A header, and one line of 300 MB."""
    path = tmp_path_factory.mktemp("line") / "a.csv"
    with path.open("wb") as file:
        file.write(b"site_id,customer_id\n")
        for piece in _repeated(b"abcdefghij", 30_000_000):
            file.write(piece)
    yield path
    path.unlink()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "words"), [("table", f"line 2 has more than {LONGEST_LINE:,} characters"), ("weather", "too large")]
)
def test_one_line_of_300_megabytes(refused: Refused, one_line: Path, kind: str, words: str) -> None:
    refused(one_line, words, kind)


_LINES: dict[str, tuple[Callable[[], Iterable[bytes]], str]] = {
    "a first line of 5 MB": (lambda: _repeated(b"abcdefghij", 500_000), "line 1 has more than"),
    "empty lines": (lambda: _repeated(b"\n", MOST_ROWS + 1), "lines"),
    "returns": (lambda: _repeated(b"\r", MOST_ROWS + 1), "lines"),
    "separators": (lambda: [b"a,b\nx", b"," * 500_000], "cells on line 2"),
    "an open quotation mark": (lambda: [b'a,b\n1,"', *_repeated(b"x\n", 200_000)], "begins on line 2"),
    "a cell": (lambda: [b"a,b\n1,", b"x" * 200_000], "begins on line 2"),
}


@pytest.mark.parametrize("name", _LINES)
def test_lines_made_to_grow(refused: Refused, tmp_path: Path, name: str) -> None:
    pieces, words = _LINES[name]
    path = tmp_path / "a.csv"
    with path.open("wb") as file:
        file.writelines(pieces())
    refused(path, words)


def test_parquet_that_unpacks_to_gigabytes(refused: Refused, tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    rows = 200_000
    text = pa.DictionaryArray.from_arrays(pa.array([0] * rows, pa.int32()), pa.array(["x" * 30_000]))
    pq.write_table(pa.table({"site_id": text.cast(pa.dictionary(pa.int32(), pa.string()))}), path)
    assert path.stat().st_size < 1_000_000
    refused(path, "unpacks to more than")
    pq.write_table(pa.table({"site_id": pa.nulls(MOST_ROWS + 1, pa.int8())}), path)
    refused(path, f"{MOST_ROWS + 1:,} rows")


@pytest.mark.parametrize("cell_mb", [100, 10])
@pytest.mark.parametrize("kind", [pa.large_binary(), pa.string()], ids=str)
@pytest.mark.slow
def test_parquet_of_one_large_cell_in_many_rows(
    refused: Refused, tmp_path: Path, kind: pa.DataType, cell_mb: int
) -> None:
    path = tmp_path / "a.parquet"
    cell = pa.array(["x" * (cell_mb * 1_000_000)]).cast(kind)
    rows = pa.DictionaryArray.from_arrays(pa.array([0] * (10_000 // cell_mb), pa.int32()), cell)
    pq.write_table(pa.table({"site_id": rows}), path, compression="zstd")
    assert path.stat().st_size < 300_000
    refused(path, "unpacks to more than")


@pytest.mark.slow
def test_parquet_of_empty_cells_alone(refused: Refused, tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    pq.write_table(pa.table({f"c{n}": pa.nulls(2_000_000, pa.int8()) for n in range(100)}), path)
    refused(path, "200,000,000 cells; 100,000,000 is the most")
    pq.write_table(pa.table({f"c{n}": pa.nulls(900_000, pa.string()) for n in range(100)}), path)
    refused(path, "it unpacks to more than 200 times its own size")


@pytest.mark.slow
def test_an_ordinary_large_table_is_read(tmp_path: Path) -> None:
    """The limits are far from what a company has."""
    path = tmp_path / "a.csv"
    path.write_text("a,b\n" + "x,y\n" * 50_000, encoding="utf-8")
    assert len(read_file(path, "site")) == 50_000


@pytest.mark.slow
def test_what_is_no_file(refused: Refused, tmp_path: Path) -> None:
    (tmp_path / "a.csv").mkdir()
    for kind in ("table", "weather", "rain"):
        refused(tmp_path / "a.csv", "not a file", kind)
