"""What bins, trays and cabinets may be called: nothing unseen, and no two that are read as one."""

import pytest

from inventory.imports.bins import BinChecker
from inventory.imports.kinds import Fate
from inventory.models import Place
from inventory.services.bin_content import split_bin
from inventory.services.bins import relocate_bin
from inventory.services.catalogue import add_bin, add_tray
from shop.errors import Invalid

pytestmark = pytest.mark.django_db

# U+202E turns the direction of what follows, U+200B has no width, U+0085 is a control character.
UNSEEN = ["W\n2", "W\t4", "W\u202e3", "W\u200b5", "W\u00856"]


@pytest.fixture
def by(boss, site):
    return {"actor": boss, "site": site}


@pytest.fixture
def add(by, at):
    def act(code="W1", cabinet="W", row=1, column=1):
        return add_bin(**by, at=at, code=code, cabinet=cabinet, row=row, column=column)

    return act


@pytest.fixture
def said(site):
    """What the check of a table says of a row."""

    def act(*rows):
        checker = BinChecker(site)
        free = {"row": None, "column": None, "family": None, "size": None, "capacity": None, "cabinet": None}
        return [checker.judge(number, free | row) for number, row in enumerate(rows, start=2)]

    return act


def refused(act, pointer, words):
    with pytest.raises(Invalid, match=words) as refusal:
        act()
    assert [error.pointer for error in refusal.value.errors] == [pointer]


@pytest.mark.parametrize("text", UNSEEN)
def test_what_nobody_sees_is_in_no_name(add, by, said, bins, at, family, text):
    words = "holds a control or direction character, which nobody sees; leave it out"
    before = Place.objects.count()
    refused(lambda: add(code=text), "/code", words)
    refused(lambda: add(cabinet=text), "/cabinet", words)
    refused(lambda: add_tray(**by, code=text), "/code", words)
    to = {"place": bins[0], "actor": by["actor"], "at": at, "row": 9, "column": 9}
    refused(lambda: relocate_bin(**to, cabinet=text), "/cabinet", words)
    new = {"cabinet": "A", "row": 9, "column": 9, "family": family, "size_nm": family.min_nm}
    split = {"source": bins[0], "actor": by["actor"], "at": at} | new
    refused(lambda: split_bin(**split, code=text), "/code", words)
    refused(lambda: split_bin(**split | {"cabinet": text}, code="W1"), "/cabinet", words)
    (row,) = said({"code": text})
    assert (row.fate, row.message) == (Fate.WRONG, f"the code {words}")
    assert Place.objects.count() == before


def test_ordinary_names_of_any_language_are_taken(add):
    assert add(code="Fach 12-ä/中", cabinet="Schrank Süd").code == "Fach 12-ä/中"


def test_letters_of_another_case_make_no_other_name(add, by, said, bins, at, family):
    """Also letters that SQLite itself would not compare so."""
    words = "differs from {} only by capital and small letters"
    refused(lambda: add(code="a1"), "/code", words.format("A1"))
    refused(lambda: add_tray(**by, code="a1"), "/code", words.format("A1"))
    add(code="Ölfach")
    refused(lambda: add(code="öLFACH", column=2), "/code", words.format("Ölfach"))
    split = {"source": bins[0], "actor": by["actor"], "at": at, "cabinet": "A", "row": 9, "column": 9}
    split |= {"family": family, "size_nm": family.min_nm}
    refused(lambda: split_bin(**split, code="a1"), "/code", words.format("A1"))
    for row in said({"code": "a1"}, {"code": "N1"}, {"code": "n1"})[::2]:
        assert row.fate == Fate.WRONG
        assert "only by capital and small letters" in row.message


def test_a_cabinet_is_written_in_one_way(add, by, said, bins, at):
    words = "is written A here: write it so, or choose another"
    refused(lambda: add(cabinet="a", row=9), "/cabinet", words)
    to = {"place": bins[0], "actor": by["actor"], "at": at, "row": 9, "column": 9}
    refused(lambda: relocate_bin(**to, cabinet="a"), "/cabinet", words)
    at_a9 = {"row": 9, "column": 9}
    (row,) = said({"code": "N1", "cabinet": "a"} | at_a9)
    assert (row.fate, row.message) == (Fate.WRONG, f"the cabinet a {words}")


def test_what_is_called_so_already_stays_so(add, said, bins, at, boss):
    """Names that differ by case alone were taken before: they are still worked with."""
    Place.objects.filter(pk=bins[1].pk).update(code="a1", cabinet="a")
    assert [row.fate for row in said({"code": "a1", "cabinet": "a", "row": 8, "column": 8})] == [Fate.CHANGED]
    assert add(cabinet="a", row=9).cabinet == "a"
    relocate_bin(place=bins[0], actor=boss, at=at, cabinet="a", row=7, column=7)
