"""The value that the shop gives a family's shims where no offer says it."""

from datetime import datetime
from decimal import Decimal

from inventory.models import FamilyValue, ShimFamily
from shop.actor import Actor
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import FieldError, Invalid
from shop.roles import Action

_MOST = Decimal(10) ** 8


@write_transaction
def value_family(*, family: ShimFamily, actor: Actor, at: datetime, unit_value: Decimal) -> FamilyValue:
    """Say what one new shim of the family is worth, in the shop's currency, to four decimals at most."""
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    words = "must be 0 or more, below 100 million, with at most four decimals"
    if not unit_value.is_finite() or not 0 <= unit_value < _MOST:
        raise Invalid(f"The value {words}.", errors=[FieldError("/unit_value", words)])
    if unit_value != round(unit_value, 4):
        raise Invalid(f"The value {words}.", errors=[FieldError("/unit_value", words)])
    value, _ = FamilyValue.objects.update_or_create(
        family=family,
        defaults={"unit_value": unit_value, "currency": conf.currency, "at": at, "by": actor.label},
    )
    return value
