"""What each of several processes does: hold one shim of a bin (see crew.py)."""

from collections.abc import Callable

from django.utils import timezone

from inventory.models import Place
from inventory.services.holds import Wanted, hold_shims
from shop.actor import actor_for_user
from shop.errors import ShopError
from shop.models import Site, User


def prepare(site_id: str, bin_id: str, user_id: str) -> Callable[[], dict]:
    site, place = Site.objects.get(pk=site_id), Place.objects.get(pk=bin_id)
    actor = actor_for_user(User.objects.get(pk=user_id))
    line = Wanted(
        place=place, family_id=place.family_id, thickness_nm=place.size_nm, condition="new", quantity=1
    )

    def act() -> dict:
        try:
            hold = hold_shims(site=site, actor=actor, at=timezone.now(), lines=[line], reference="Order 1")
        except ShopError as error:
            return {"refused": error.code, "message": error.message}
        return {"held": str(hold.pk)}

    return act
