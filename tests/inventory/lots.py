"""What lies in a place, as plain figures to compare with."""

from inventory.models import Balance, Condition


def lots(place):
    """{(thickness in nm, condition): (on hand, held)} of what a place holds; lots of nothing are left out."""
    return {
        (row.thickness_nm, row.condition): (row.on_hand, row.held)
        for row in Balance.objects.filter(place=place)
        if row.on_hand or row.held
    }


def new(nm, on_hand, held=0):
    """The one lot of new shims that a place holds."""
    return {(nm, Condition.NEW): (on_hand, held)}


def used(nm, on_hand, held=0):
    return {(nm, Condition.USED): (on_hand, held)}
