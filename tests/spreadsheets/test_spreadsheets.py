"""Tables in and out: nothing lost, nothing evaluated, nothing too large (bars S5 and S6).

Outside sources: RFC 4180's own examples (from memory, as CHECKS notes them); OWASP's list of signs that
start a formula (ASVS 5.0, 1.2.10).
"""

import io
import re
import zipfile
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from inventory.spreadsheets.cells import guard, unguard
from inventory.spreadsheets.columns import Column, read_header
from inventory.spreadsheets.reading import FileRefusedError, read_rows
from inventory.spreadsheets.writing import csv_chunks, xlsx_bytes

# What a cell can hold: no control signs but those that spreadsheets keep, no NUL, no lone surrogate.
TEXT = st.text(
    st.one_of(
        st.sampled_from("=+-@|'＝＋－＠｜ ;,\"0123456789"),
        st.characters(min_codepoint=32, exclude_categories=("Cs", "Cc", "Cn")),
    ),
    max_size=40,
).map(lambda text: text.strip(" "))
ROWS = st.lists(st.tuples(TEXT, TEXT, st.integers(-(10**9), 10**9)), min_size=1, max_size=12)


def rows_of(data: bytes, name: str) -> list[tuple[str, ...]]:
    return [row.cells for row in read_rows(io.BytesIO(data), name)]


def as_csv(header, rows) -> bytes:
    return b"".join(csv_chunks(header, rows))


@given(st.text(st.sampled_from("=+-@|' \t\r\n＝a1"), max_size=8))
def test_a_guarded_cell_reads_back_and_starts_no_formula(text):
    cell = guard(text)
    assert unguard(cell) == text
    assert not cell.lstrip(" \u3000").startswith(("=", "@", "|", "+=", "\t", "\r", "＝", "＠", "｜"))


@settings(max_examples=1000, deadline=None)
@given(ROWS)
def test_csv_round_trip(rows):
    header = ("a", "b", "c")
    expected = [tuple(map(str, row)) for row in rows]
    again = rows_of(as_csv(header, rows), "x.csv")
    assert again == [header, *expected]
    assert as_csv(header, [(a, b, int(c)) for a, b, c in again[1:]]) == as_csv(header, rows)


@settings(max_examples=150, deadline=None)
@given(ROWS)
def test_xlsx_round_trip_without_formulas(rows):
    data = xlsx_bytes("Stock", ("a", "b", "c"), rows)
    assert rows_of(data, "x.xlsx")[1:] == [tuple(map(str, row)) for row in rows]
    sheet = load_workbook(io.BytesIO(data)).active
    assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)


def test_rfc_4180_examples():
    data = b'"aaa","b \r\nbb","ccc"\r\nzzz,yyy,xxx'
    assert rows_of(data, "x.csv") == [("aaa", "b \r\nbb", "ccc"), ("zzz", "yyy", "xxx")]
    assert rows_of(b'"aaa","b""bb","ccc"\r\n', "x.csv") == [("aaa", 'b"bb', "ccc")]


def test_a_negative_count_stays_a_number():
    assert as_csv(("n",), [(-5,), ("-5",), ("-5+2",)]) == b"n\r\n-5\r\n-5\r\n'-5+2\r\n"


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_the_separators_that_spreadsheets_write(separator):
    data = separator.join(["bin", "thickness [mm]"]) + "\n" + separator.join(["B1", "2.650"])
    assert rows_of(data.encode("utf-8-sig"), "x.csv") == [("bin", "thickness [mm]"), ("B1", "2.650")]


def test_a_number_cell_is_the_figure_that_was_keyed():
    book = Workbook()
    book.active.append(["t", 2.65, 0.3, 7, True])
    out = io.BytesIO()
    book.save(out)
    assert rows_of(out.getvalue(), "x.xlsx") == [("t", "2.65", "0.3", "7", "yes")]


def bomb() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as parts:
        parts.writestr("xl/worksheets/sheet1.xml", b"0" * 30_000_000)
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "name", "said"),
    [
        (b"", "x.csv", "empty"),
        (b"\r\n\r\n", "x.csv", "no rows"),
        (b"a,b", "x.ods", r"Only \.csv and \.xlsx"),
        (b"a,b", "x.xlsx", "called .xlsx but is not"),
        (b"PK\x03\x04rest", "x.csv", "called .csv but is not"),
        (b"PK\x03\x04rest", "x.xlsx", "damaged"),
        (bomb(), "x.xlsx", "unpacks"),
        ("größe".encode("latin-1"), "x.csv", "not UTF-8"),
        (b'a\n"b', "x.csv", "Row 2 is not CSV"),
        (b"a\nb\0c", "x.csv", "Row 2, column 1 holds a NUL|Row 2 is not CSV"),
        (b"a\n" + b"x" * 1001, "x.csv", "1001 characters"),
        (b"," * 200, "x.csv", "201 columns"),
        (b"a\n" * 60_002, "x.csv", "more than 60,000 rows"),
        (b"a" * (16 * 1024 * 1024 + 1), "x.csv", "16 MiB is the most"),
    ],
    ids=lambda value: value[:12] if isinstance(value, bytes) else str(value),
)
def test_what_cannot_be_read_is_said(data, name, said):
    with pytest.raises(FileRefusedError, match=said):
        rows_of(data, name)


def test_limits_are_reached_and_not_exceeded():
    assert len(rows_of(b"a\n" * 60_001, "x.csv")) == 60_001
    assert len(rows_of(b"," * 199 + b"a", "x.csv")[0]) == 200
    assert len(rows_of(b"x" * 1000, "x.csv")[0][0]) == 1000


def workbook(*cells, results=None):
    """A foreign workbook whose second row has these cells; `results`: what its formulas came to, by cell."""
    book, out = Workbook(), io.BytesIO()
    book.active.append(["a", "b", "c"])
    book.active.append(list(cells))
    book.save(out)
    for cell, result in (results or {}).items():
        out = _with_result(out, cell, result)
    return out.getvalue()


def _with_result(file, cell, result):
    """The file as a program saves it that works formulas out: openpyxl does not, and keeps none."""
    out = io.BytesIO()
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                before = re.search(rb'<c r="%b"[^>]*><f>(.*?)</f><v ?/?>(</v>)?</c>' % cell.encode(), data)
                kind = b' t="e"' if result.startswith("#") else b"" if result else b' t="str"'
                after = b'<c r="%b"%b><f>%b</f><v>%b</v></c>'
                data = data.replace(before[0], after % (cell.encode(), kind, before[1], result.encode()))
            new.writestr(name, data)
    return out


def test_a_formula_counts_as_what_it_came_to():
    data = workbook("x", "=1+1", 3, results={"B2": "2"})
    assert rows_of(data, "x.xlsx") == [("a", "b", "c"), ("x", "2", "3")]
    # What comes to an empty text is an empty cell.
    data = workbook("x", '=IF(TRUE,"","y")', 3, results={"B2": ""})
    assert rows_of(data, "x.xlsx") == [("a", "b", "c"), ("x", "", "3")]


NO_RESULT = "holds a formula, and the file does not keep what comes out of it"
COLUMNS = tuple(Column(name=name, required=False) for name in "abc")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (workbook("x", "y", "=1+1"), [f"c: {NO_RESULT}"]),
        (workbook("=A1", "y", "=1+1", results={"C2": "2"}), [f"a: {NO_RESULT}"]),
        (
            workbook("x", "=1/0", "=1/0", results={"B2": "#DIV/0!"}),
            ["b: holds a formula that comes to #DIV/0!", f"c: {NO_RESULT}"],
        ),
        (workbook("x", date(2026, 3, 2), 1), ["b: holds a date or something else; only text and numbers"]),
    ],
    ids=["last", "first", "error", "date"],
)
def test_a_cell_that_cannot_be_read_is_not_an_empty_one(data, said):
    """Taken for an empty one, a number to keep would become none, and nobody would have said so."""
    heading, row = read_rows(io.BytesIO(data), "x.xlsx")
    values, wrong = read_header(heading, COLUMNS).values(row)
    assert [words[: len(start)] for words, start in zip(wrong, said, strict=True)] == said
    assert values[said[0][0]] is None


def test_a_heading_that_cannot_be_read_is_said():
    book, out = Workbook(), io.BytesIO()
    book.active.append(["a", "=1+1"])
    book.save(out)
    with pytest.raises(FileRefusedError, match=f"its cell 2 {NO_RESULT}"):
        read_header(next(read_rows(out, "x.xlsx")), COLUMNS)


def test_a_text_that_looks_like_an_error_is_a_text():
    data = xlsx_bytes("Names", ("a",), [("#DIV/0!",), ("=1+1",)])
    assert rows_of(data, "x.xlsx") == [("a",), ("#DIV/0!",), ("=1+1",)]
