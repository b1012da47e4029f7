"""What somebody who counts a place finds in it."""

from inventory.compute.lengths import from_nm
from inventory.models import Balance
from inventory.services.counting import Found


def in_it(place, off=0):
    """What the books have in the place, the first lot with so many more or fewer: as the services take it."""
    lots = Balance.objects.filter(place=place, on_hand__gt=0).select_related("family")
    return [
        Found(
            family=lot.family,
            thickness=from_nm(lot.thickness_nm),
            condition=lot.condition,
            quantity=lot.on_hand + (0 if index else off),
        )
        for index, lot in enumerate(lots.order_by("thickness_nm", "condition"))
    ]
