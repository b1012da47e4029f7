"""Reading the books in a test: what a movement says, what a place holds, what a refusal names."""

import pytest

from inventory.compute.lengths import show
from inventory.models import Balance, Hold, Movement, Need
from inventory.services.floor import Shims

MM = 1_000_000


def lines_of(movement):
    """(place, thickness in mm, condition, quantity) of each line, as they were written."""
    rows = movement.lines.select_related("place").order_by("position")
    return [(line.place.code, show(line.thickness_nm), line.condition, line.quantity) for line in rows]


def count(place, thickness_nm=None, condition="new"):
    """(on hand, held) of one thickness in a place, the bin's own size unless another is named."""
    wanted = place.size_nm if thickness_nm is None else thickness_nm
    balance = Balance.objects.filter(place=place, thickness_nm=wanted, condition=condition).first()
    return (balance.on_hand, balance.held) if balance else (0, 0)


def contents(place):
    """Everything in a place: {(thickness in mm, condition): (on hand, held)}."""
    rows = Balance.objects.filter(place=place).exclude(on_hand=0, held=0)
    return {(show(row.thickness_nm), row.condition): (row.on_hand, row.held) for row in rows}


def in_bin(place, quantity=1, *, family=None, thickness_nm=None, condition="new"):
    """Shims of the bin's own family and size, for that bin."""
    return Shims(
        family=family or place.family,
        thickness_nm=place.size_nm if thickness_nm is None else thickness_nm,
        condition=condition,
        quantity=quantity,
        place=place,
    )


def picture():
    """Everything that an act could have left behind, to be compared before and after a refusal."""
    return (
        Movement.objects.count(),
        sorted(Balance.objects.values_list("place__code", "thickness_nm", "condition", "on_hand", "held")),
        sorted(Hold.objects.values_list("id", "state", "version", "expires_at")),
        sorted(Need.objects.values_list("id", "state", "line_id"), key=str),
    )


def refused(kind, act, errors=None, *, says=""):
    """The refusal of `act`, which must be of this kind and name exactly these pointers; nothing was written.

    `errors`: {pointer: part of its detail}. `says`: part of the whole message.
    """
    before = picture()
    with pytest.raises(kind) as caught:
        act()
    error = caught.value
    assert type(error) is kind
    assert picture() == before
    assert says in error.message
    assert error.message.endswith(".")
    if errors is not None:
        found = {item.pointer: item.detail for item in error.errors}
        assert found.keys() == errors.keys()
        for pointer, part in errors.items():
            assert part in found[pointer]
    return error
