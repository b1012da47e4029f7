"""Headings, units and cells of an imported table."""

import pytest

from inventory.spreadsheets.columns import Column, Kind, length_of, read_header
from inventory.spreadsheets.reading import FileRefusedError, Row

COLUMNS = (
    Column(name="bin"),
    Column(name="thickness", kind=Kind.LENGTH),
    Column(name="condition", choices=("new", "used")),
    Column(name="quantity", kind=Kind.WHOLE),
    Column(name="ratio", kind=Kind.DECIMAL, required=False),
)
HEADINGS = ("Bin", "quantity", "thickness [thou]", "condition")


def header(*cells):
    return read_header(Row(1, cells), COLUMNS)


def test_columns_in_any_order_with_the_unit_of_the_heading():
    values, wrong = header(*HEADINGS).values(Row(2, ("B1", "4", "104.3", "used")))
    assert wrong == []
    assert values == {
        "bin": "B1",
        "quantity": 4,
        "thickness": {"nm": 2_649_220, "keyed": "104.3 thou"},
        "condition": "used",
        "ratio": None,
    }
    assert length_of(values["thickness"]).keyed == "104.3 thou"


def test_every_wrong_cell_of_a_row_is_named():
    _, wrong = header(*HEADINGS).values(Row(2, ("", "-1", "2,65", "worn")))
    assert [text.split(":")[0] for text in wrong] == ["bin", "quantity", "thickness", "condition"]
    assert "must not be empty" in wrong[0]
    assert "point" in wrong[2]
    assert "new, used" in wrong[3]


def test_a_short_row_misses_what_it_lacks():
    _, wrong = header(*HEADINGS).values(Row(2, ("B1",)))
    assert len(wrong) == 3


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (("bin", "thickness", "condition", "quantity"), r"thickness must name its unit"),
        (("bin", "thickness [cm]", "condition", "quantity"), r"\[mm\], \[um\], \[in\] or \[thou\]"),
        (("bin [mm]", "thickness [mm]", "condition", "quantity"), "takes no unit"),
        (("bin", "bin", "thickness [mm]", "condition", "quantity"), "twice"),
        (("bin", "thickness [mm]", "condition"), "Missing: quantity"),
        (("bin", "colour", "thickness [mm]"), "no column 'colour'. The columns are: bin, thickness"),
    ],
)
def test_a_wrong_heading_is_refused_with_what_would_be_right(cells, said):
    with pytest.raises(FileRefusedError, match=said):
        header(*cells)
