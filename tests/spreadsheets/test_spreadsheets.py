"""Tables in and out: nothing lost, nothing evaluated, nothing too large (bars S5 and S6).

Outside sources: RFC 4180's own examples (from memory, as CHECKS notes them); OWASP's list of signs that
start a formula (ASVS 5.0, 1.2.10).
"""

import io
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from inventory.spreadsheets.cells import guard, unguard
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
    from openpyxl import Workbook  # noqa: PLC0415 - only this test writes a foreign workbook

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
