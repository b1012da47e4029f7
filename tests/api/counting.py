"""Counts for tests of the API: what is in a bin, and two persons who find so many more or fewer."""

from django.utils import timezone

from inventory.compute.lengths import show
from inventory.models import BinCount, Place
from inventory.services.counting import key_count
from shop.actor import actor_for_user
from shop.models import Role
from tests.counting import in_it
from tests.people import person


def place_of(world, thickness="2.575") -> Place:
    return world.shop.bin(thickness)


def opened(world, thickness="2.575"):
    """The address of a count of the bin of this thickness."""
    return f"/counts/{world.program.done('/counts', {'place': place_of(world, thickness).code})['id']}"


def as_json(found):
    """The same as the API takes it."""
    return {
        "found": [
            {
                "family": lot.family.code,
                "thickness": {"value": show(lot.thickness.nm), "unit": "mm"},
                "condition": lot.condition,
                "quantity": lot.quantity,
            }
            for lot in found
        ]
    }


def differing(world, off=-1, thickness="2.575"):
    """The address of a count that two persons, neither of them the program's, found to be off."""
    address = opened(world, thickness)
    count = BinCount.objects.get(pk=address.rpartition("/")[2])
    number = next(world.numbers)
    for name in (f"one{number}", f"two{number}"):
        user = person(name, name.title(), world.site, Role.COUNTER)
        found = in_it(count.place, off)
        key_count(count=count, actor=actor_for_user(user), at=timezone.now(), found=found)
    return address
