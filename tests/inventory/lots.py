"""What lies in a place, as plain figures to compare with; and shims that were pulled from an engine."""

from inventory.compute.lengths import parse
from inventory.models import Balance, Condition, Reason
from inventory.services.catalogue import add_family
from inventory.services.ledger import post_movement, transfer


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


def pull(places, family, quantity, *, actor, at, nm=2_650_000):
    """Have shims that were marked `nm` and not measured come out of an engine into inspection."""
    post_movement(
        site=places["inspection"].site,
        reason=Reason.RECOVER,
        actor=actor,
        at=at,
        lines=transfer(
            source=places["engine"],
            target=places["inspection"],
            family_id=family.pk,
            thickness_nm=nm,
            condition=Condition.UNMEASURED,
            quantity=quantity,
        ),
    )


def nine_mm_caps(actor):
    """Another family than that of the tests' bins."""
    return add_family(
        actor=actor,
        code="cap9",
        name="9 mm cap",
        form="cap",
        marking="thousandths",
        diameter=parse("9.5", "mm"),
        thinnest=parse("2.000", "mm"),
        thickest=parse("2.500", "mm"),
        step=parse("0.025", "mm"),
    )
