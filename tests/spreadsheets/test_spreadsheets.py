"""Tables in and out: nothing lost, nothing evaluated, nothing too large (bars S5 and S6).

Outside sources: RFC 4180's own examples (from memory, as CHECKS notes them); OWASP's list of signs that
start a formula (ASVS 5.0, 1.2.10).
"""

import io
import re
import zipfile
from datetime import date, datetime, time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from inventory.spreadsheets.cells import guard, unguard
from inventory.spreadsheets.columns import Column, Kind, read_header
from inventory.spreadsheets.reading import FileRefusedError, Row, read_rows
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


class Pasted(str):
    """An error as pasting the values of formulas leaves it: a cell of the error's kind, without a formula."""


def workbook(*cells, results=None):
    """A foreign workbook whose second row has these cells; `results`: what its formulas came to, by cell."""
    book, out = Workbook(), io.BytesIO()
    book.active.append(["a", "b", "c"])
    for column, cell in enumerate(cells, start=1):
        written = book.active.cell(2, column, str(cell) if isinstance(cell, Pasted) else cell)
        if isinstance(cell, Pasted):
            written.data_type = "e"
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
    # What comes to an empty text is an empty cell, where a text is meant.
    data = workbook("x", '=IF(TRUE,"","y")', 3, results={"B2": ""})
    assert rows_of(data, "x.xlsx") == [("a", "b", "c"), ("x", "", "3")]


def renamed(data, name="xl/tables of mine/first.part"):
    """The same workbook with its sheet under another name, as its relations say (ECMA-376, part 2, from
    memory: which part is what follows from types and relations, never from its name)."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.namelist():
            inside = old.read(part)
            if part in ("[Content_Types].xml", "xl/_rels/workbook.xml.rels"):
                assert b"/xl/worksheets/sheet1.xml" in inside
                inside = inside.replace(b"/xl/worksheets/sheet1.xml", f"/{name}".encode())
            new.writestr(name if part == "xl/worksheets/sheet1.xml" else part, inside)
    return out.getvalue()


def in_utf_16(data):
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.namelist():
            inside = old.read(part)
            if part == "xl/worksheets/sheet1.xml":
                bare = re.sub(r"^<\?xml.*?\?>", "", inside.decode())
                inside = f'<?xml version="1.0" encoding="UTF-16"?>{bare}'.encode("utf-16")
            new.writestr(part, inside)
    return out.getvalue()


@pytest.mark.parametrize("written", [renamed, in_utf_16])
def test_a_formula_is_found_wherever_its_sheet_lies_and_however_it_is_written(written):
    heading, row = read_rows(io.BytesIO(written(workbook("x", "y", "=1+1"))), "x.xlsx")
    _, wrong = read_header(heading, COLUMNS).values(row)
    assert [words.partition(NO_RESULT)[:2] for words in wrong] == [("c: ", NO_RESULT)]
    assert rows_of(written(workbook("x", "y", 2)), "x.xlsx") == [("a", "b", "c"), ("x", "y", "2")]


@pytest.mark.parametrize("kind", [Kind.WHOLE, Kind.DECIMAL, Kind.LENGTH])
@pytest.mark.parametrize("required", [False, True])
def test_an_empty_text_of_a_formula_is_no_empty_number(kind, required):
    """Taken for an empty cell, a minimum or a capacity would be done away with."""
    data = workbook("x", '=IF(TRUE,"","y")', 3, results={"B2": ""})
    columns = (Column(name="a"), Column(name="b", kind=kind, required=required), Column(name="c"))
    heading, row = read_rows(io.BytesIO(data), "x.xlsx")
    cells = (f"b [{columns[1].unit.value}]" if kind is Kind.LENGTH else "b",)
    header = read_header(Row(1, (heading.cells[0], *cells, heading.cells[2])), columns)
    _, (wrong,) = header.values(row)
    assert wrong.startswith("b: holds a formula that comes to an empty text: key in a")
    assert wrong.endswith("or empty the cell") != required


def test_a_result_of_another_kind_that_is_not_kept_is_not_an_empty_one():
    """A truth value, an error or a day without its value: `t` is said and `v` is empty."""
    for kind in ("b", "e", "d"):
        out = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(workbook("x", "y", "=1+1"))) as old, zipfile.ZipFile(out, "w") as new:
            for part in old.namelist():
                inside = old.read(part)
                if part == "xl/worksheets/sheet1.xml":
                    inside, changed = re.subn(rb'<c r="C2"', rb'<c r="C2" t="%b"' % kind.encode(), inside)
                    assert changed == 1
                new.writestr(part, inside)
        _, row = read_rows(out, "x.xlsx")
        assert str(row.cells[2]).startswith(NO_RESULT), kind


def test_a_sheet_that_is_cut_is_said_to_be_damaged():
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook("x", "y", 1))) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.namelist():
            inside = old.read(part)
            new.writestr(part, inside[: len(inside) // 2] if part == "xl/worksheets/sheet1.xml" else inside)
    with pytest.raises(FileRefusedError, match="damaged"):
        rows_of(out.getvalue(), "x.xlsx")


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
        (workbook("x", date(2026, 3, 2), 1), ["b: holds the date 2026-03-02: set the cell to text and key"]),
        (workbook("x", time(7, 30), 1), ["b: holds a time of day"]),
        (workbook("x", datetime(2026, 3, 2, 7, 30), 1), ["b: holds a time of day"]),
        (workbook("x", Pasted("#N/A"), 1), ["b: holds the error #N/A: key in what is meant"]),
    ],
    ids=["last", "first", "error", "date", "time", "moment", "pasted error"],
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
    data = xlsx_bytes("Names", ("a",), [("#DIV/0!",), ("=1+1",), ("#N/A",)])
    assert rows_of(data, "x.xlsx") == [("a",), ("#DIV/0!",), ("=1+1",), ("#N/A",)]


DAYS = (Column(name="a"), Column(name="b", kind=Kind.DAY), Column(name="c", kind=Kind.DAY, required=False))


@pytest.mark.parametrize("day", [date(2026, 3, 2), datetime(2026, 3, 2), "2026-03-02"])
def test_a_day_is_taken_as_a_date_cell_and_as_text(day):
    heading, row = read_rows(io.BytesIO(workbook("x", day, None)), "x.xlsx")
    assert read_header(heading, DAYS).values(row) == ({"a": "x", "b": "2026-03-02", "c": None}, [])


@pytest.mark.parametrize("cell", ["2.3.2026", "20260302", "2026-W10-1", "2026-02-30", 46083])
def test_what_is_no_day_says_how_one_is_written(cell):
    heading, row = read_rows(io.BytesIO(workbook("x", cell, None)), "x.xlsx")
    assert read_header(heading, DAYS).values(row)[1] == [f"b: '{cell}' is no day written like 2026-03-31"]


def test_a_day_that_a_formula_comes_to_is_a_day():
    data = workbook("x", "=DATE(2026,3,2)", None)
    book, out = load_workbook(io.BytesIO(data)), io.BytesIO()
    book.active["B2"].number_format = "yyyy-mm-dd"
    book.save(out)
    styled = re.search(rb'<c r="B2" s="(\d+)"', zipfile.ZipFile(out).read("xl/worksheets/sheet1.xml"))
    again = io.BytesIO()
    with zipfile.ZipFile(out) as old, zipfile.ZipFile(again, "w") as new:
        for part in old.namelist():
            inside = old.read(part)
            if part == "xl/worksheets/sheet1.xml":
                inside = re.sub(rb"(<c r=\"B2\".*?</f>)<v ?/?>(</v>)?", rb"\1<v>46083</v>", inside)
            new.writestr(part, inside)
    assert styled
    heading, row = read_rows(again, "x.xlsx")
    assert read_header(heading, DAYS).values(row)[0]["b"] == "2026-03-02"  # day 46083 of 1900's count
