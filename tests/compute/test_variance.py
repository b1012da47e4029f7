"""What counts come to: differences, confirmation by another person, and what they are worth."""

from decimal import Decimal
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.variance import (
    Finding,
    Tallied,
    difference,
    finding,
    gross_value,
    needs_approval,
    unit_value,
)

books = st.lists(st.integers(0, 20), min_size=1, max_size=6)


@given(st.integers(0, 25), books)
def test_a_difference_is_only_taken_of_a_lot_that_stood_still(counted, figures):
    found = difference(counted, figures)
    if counted in figures:
        assert found == 0
    elif len(set(figures)) == 1:
        assert found == counted - figures[0] != 0
    else:
        assert found is None


def tally(person, **differences):
    return Tallied(person=person, differences=differences)


def test_who_finds_what_the_books_say_is_done():
    assert finding([tally("ines", a=0, b=0)]) is Finding.AGREES


def test_one_person_s_difference_does_not_stand():
    assert finding([tally("ines", a=-1)]) is Finding.COUNT_AGAIN
    assert finding([tally("ines", a=-1), tally("ines", a=-1)]) is Finding.COUNT_AGAIN


def test_two_persons_same_differences_stand():
    assert finding([tally("ines", a=-1, b=0), tally("tobi", a=-1)]) is Finding.DIFFERS
    assert finding([tally("ines", a=-1), tally("tobi", a=-2), tally("mara", a=-1)]) is Finding.DIFFERS


def test_the_second_may_find_that_the_books_were_right():
    assert finding([tally("ines", a=-1), tally("tobi", a=0)]) is Finding.AGREES


def test_a_lot_that_moved_while_it_was_counted_settles_nothing():
    assert finding([tally("ines", a=None)]) is Finding.COUNT_AGAIN
    assert finding([tally("ines", a=None, b=-1), tally("tobi", a=0, b=-1)]) is Finding.COUNT_AGAIN
    assert finding([tally("ines", b=-1), tally("tobi", a=None, b=-1)]) is Finding.COUNT_AGAIN


def test_nobody_s_count_is_none():
    with pytest.raises(ValueError, match="nobody"):
        finding([])


tallies = st.lists(
    st.builds(
        Tallied,
        person=st.sampled_from(["ines", "tobi", "mara"]),
        differences=st.dictionaries(st.sampled_from("ab"), st.none() | st.integers(-2, 2), max_size=2),
    ),
    min_size=1,
    max_size=4,
)


@given(tallies)
def test_a_difference_stands_only_with_a_second_person_s_word(found):
    if finding(found) is Finding.DIFFERS:
        last = found[-1]
        others = [tally for tally in found[:-1] if tally.person != last.person]
        lots = {lot for tally in found for lot in tally.differences}
        assert any(
            all((other.differences.get(lot, 0)) == last.differences.get(lot, 0) for lot in lots)
            for other in others
        )
    # Who counted before whom does not matter, only who counted last.
    for order in permutations(found[:-1]):
        assert finding([*order, found[-1]]) == finding(found)


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
    assert gross_value([(3, Decimal("4.20")), (-3, Decimal("4.20")), (0, None)]) == Decimal("25.20")


@given(st.lists(st.tuples(st.integers(-5, 5), st.decimals(0, 100, places=4)), max_size=8))
def test_the_gross_value_is_the_exact_sum(lots):
    exact = sum(int(value * 10**4) * abs(amount) for amount, value in lots)
    assert gross_value(lots) * 10**4 == exact


def test_what_nobody_knows_the_worth_of_a_manager_must_see():
    assert gross_value([(1, None)]) is None
    assert needs_approval(None, Decimal(25))
    assert needs_approval(Decimal("25.01"), Decimal(25))
    assert not needs_approval(Decimal("25.00"), Decimal(25))
