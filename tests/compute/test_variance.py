"""What counts come to: differences, confirmation by another person, and what they are worth."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.variance import (
    Finding,
    Tallied,
    conclude,
    gross_value,
    lot_value,
    needs_approval,
    possible_differences,
    unit_value,
)


@given(st.integers(0, 25), st.lists(st.integers(0, 20), min_size=1, max_size=6))
def test_every_figure_that_the_books_had_gives_a_possible_difference(counted, figures):
    assert possible_differences(counted, figures) == {counted - figure for figure in figures}


def tally(person, **possible):
    sets = {lot: {found} if isinstance(found, int) else found for lot, found in possible.items()}
    return Tallied(person=person, possible={lot: frozenset(found) for lot, found in sets.items()})


def outcome(*tallies):
    found = conclude(tallies)
    return found.finding, dict(found.differences)


AGREES, AGAIN = (Finding.AGREES, {}), (Finding.COUNT_AGAIN, {})


def test_who_finds_what_the_books_say_is_done():
    assert outcome(tally("ines", a=0, b=0)) == AGREES
    assert outcome(tally("ines")) == AGREES


def test_one_person_s_difference_does_not_stand():
    assert outcome(tally("ines", a=-1)) == AGAIN
    assert outcome(tally("ines", a=-1), tally("ines", a=-1)) == AGAIN


def test_two_persons_same_differences_stand():
    assert outcome(tally("ines", a=-1, b=0), tally("tobi", a=-1)) == (Finding.DIFFERS, {"a": -1})
    third = outcome(tally("ines", a=-1), tally("tobi", a=-2), tally("mara", a=-1))
    assert third == (Finding.DIFFERS, {"a": -1})


def test_the_second_may_find_that_the_books_were_right():
    assert outcome(tally("ines", a=-1), tally("tobi", a=0)) == AGREES


def test_what_moved_meanwhile_is_settled_by_a_second_count():
    """One shim left while Ines counted four: either all is well, or one is missing. Tobi sees which."""
    ines = tally("ines", a={0, -1})
    assert outcome(ines) == AGAIN
    assert outcome(ines, tally("tobi", a=0)) == AGREES
    assert outcome(ines, tally("tobi", a=-1)) == (Finding.DIFFERS, {"a": -1})
    assert outcome(ines, tally("tobi", a={0, 1})) == AGREES
    assert outcome(ines, tally("tobi", a={0, -1})) == AGAIN
    assert outcome(ines, tally("tobi", a=2)) == AGAIN


def test_a_lot_that_only_one_of_them_found():
    assert outcome(tally("ines", a=0, b=1), tally("tobi", a=-1)) == AGAIN
    assert outcome(tally("ines", a=0), tally("tobi", a=0, b=1)) == AGAIN


def test_nobody_s_count_is_none():
    with pytest.raises(ValueError, match="nobody"):
        conclude([])


@st.composite
def honest_counts(draw):
    """Bins with true differences that floor work does not change, counted right, by looks at any moment."""
    truth = {lot: draw(st.integers(-3, 3)) for lot in draw(st.sets(st.sampled_from("abc"), min_size=1))}
    tallies = []
    for _ in range(draw(st.integers(1, 4))):
        possible = {}
        for lot, missing in truth.items():
            books = draw(st.lists(st.integers(3, 9), min_size=1, max_size=3))
            looked = draw(st.sampled_from(books))
            possible[lot] = possible_differences(looked + missing, books)
        tallies.append(Tallied(person=draw(st.sampled_from(["ines", "tobi"])), possible=possible))
    return truth, tallies


@given(honest_counts())
def test_right_counts_never_come_to_a_wrong_end(drawn):
    truth, tallies = drawn
    found = conclude(tallies)
    wrong = {lot: missing for lot, missing in truth.items() if missing}
    if found.finding is Finding.AGREES:
        assert not wrong
    elif found.finding is Finding.DIFFERS:
        assert found.differences == wrong
        assert len({each.person for each in tallies}) == 2
    else:
        assert not found.differences
        # Two persons who each counted while nothing moved would have settled it.
        last = tallies[-1]
        if all(len(each) == 1 for each in last.possible.values()):
            others = [each for each in tallies if each.person != last.person]
            assert wrong
            assert not others


@pytest.mark.parametrize(
    ("offer", "own", "new", "value"),
    [
        ("4.20", "9.00", True, "4.20"),
        ("4.20", None, False, "2.10"),
        (None, "9.00", True, "9.00"),
        (None, "9.00", False, "4.50"),
        ("0", "9.00", True, "0"),
        (None, None, True, None),
    ],
)
def test_what_one_shim_is_worth(offer, own, new, value):
    def money(text):
        return None if text is None else Decimal(text)

    found = unit_value(
        cheapest_offer=money(offer), family_value=money(own), new=new, used_share=Decimal("0.5")
    )
    assert found == money(value)


def test_gains_and_losses_do_not_cancel():
    assert gross_value([(3, Decimal("4.20")), (-3, Decimal("4.20")), (0, None)], "EUR") == Decimal("25.20")


@given(st.lists(st.tuples(st.integers(-5, 5), st.decimals(0, 100, places=4)), max_size=8))
def test_lots_add_up_to_the_gross_value(lots):
    """Each is rounded half up to whole cents, as a page shows it, and nothing afterwards."""
    cents = [(int(value * 10**4) * abs(amount) + 50) // 100 for amount, value in lots]
    assert gross_value(lots, "EUR") * 100 == sum(cents)
    assert [abs(lot_value(amount, value, "EUR")) * 100 for amount, value in lots] == cents


def test_what_nobody_knows_the_worth_of_a_manager_must_see():
    assert gross_value([(1, None)], "EUR") is None
    assert needs_approval(None, Decimal(25))
    assert needs_approval(Decimal("25.01"), Decimal(25))
    assert not needs_approval(Decimal("25.00"), Decimal(25))
