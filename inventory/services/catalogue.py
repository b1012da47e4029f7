"""Families, bins and trays, suppliers and what they sell."""

from datetime import datetime
from decimal import Decimal

from inventory.compute.lengths import Length, LengthError
from inventory.compute.markings import MarkingRule, check_marking_rule
from inventory.compute.sizes import FamilyRange
from inventory.models import Offer, Place, PlaceEvent, PlaceKind, ShimFamily, Supplier
from inventory.services.bins import as_added, lock_cabinets, new_bin, record_event
from inventory.services.place_codes import refuse_taken_code
from inventory.services.rows import check_fields, insert
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Invalid
from shop.models import Site
from shop.roles import Action


@write_transaction
def add_family(
    *,
    actor: Actor,
    code: str,
    name: str,
    form: str,
    marking: str,
    diameter: Length,
    thinnest: Length,
    thickest: Length,
    step: Length,
) -> ShimFamily:
    """A new family of shims. Raises Invalid when range, step and marking rule do not fit together."""
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    _refuse_taken(ShimFamily, code)
    check_family(marking=marking, thinnest=thinnest, thickest=thickest, step=step)
    family = ShimFamily(
        code=code,
        name=name,
        form=form,
        marking=marking,
        diameter_nm=diameter.nm,
        diameter_keyed=diameter.keyed,
        min_nm=thinnest.nm,
        min_keyed=thinnest.keyed,
        max_nm=thickest.nm,
        max_keyed=thickest.keyed,
        step_nm=step.nm,
        step_keyed=step.keyed,
    )
    return insert(family, "The family cannot be entered")


def check_family(*, marking: str, thinnest: Length, thickest: Length, step: Length) -> None:
    """Raises Invalid when range, step and marking rule do not fit together."""
    if marking not in ShimFamily.Marking.values:
        words = f"must be one of {', '.join(ShimFamily.Marking.values)}"
        raise Invalid(
            f"The family cannot be entered: marking: {words}.", errors=[FieldError("/marking", words)]
        )
    if thinnest.nm == thickest.nm:
        words = "the thinnest size must lie below the thickest"
        raise Invalid(f"The family cannot be entered: {words}.", errors=[FieldError("/min", words)])
    try:
        family_range = FamilyRange(min_nm=thinnest.nm, max_nm=thickest.nm, step_nm=step.nm)
        check_marking_rule(MarkingRule(marking), family_range)
    except LengthError as error:
        raise Invalid(
            f"The family cannot be entered: {error.message}", errors=[FieldError("/min", error.message)]
        ) from error


@write_transaction
def rename_family(*, actor: Actor, family: ShimFamily, name: str) -> ShimFamily:
    """Another name for the same shims. Range, step and marking stay, because stock is counted by them."""
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    family.name = name
    check_fields(family, "The family keeps its name")
    family.version += 1
    family.save(update_fields=["name", "version"])
    return family


@write_transaction
def add_bin(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    code: str,
    cabinet: str,
    row: int,
    column: int,
    family: ShimFamily | None = None,
    size_nm: int | None = None,
    capacity: int | None = None,
) -> Place:
    """A drawer position, perhaps kept for one family and one of its sizes.

    Raises Conflict where another bin in use is at that position.
    """
    actor.must(Action.EDIT_CATALOGUE, site)
    lock_cabinets(site)
    place = new_bin(
        site=site,
        code=code,
        cabinet=cabinet,
        row=row,
        column=column,
        family=family,
        size_nm=size_nm,
        capacity=capacity,
    )
    record_event(place, PlaceEvent.Act.ADD, as_added(place), actor=actor, at=at)
    return place


@write_transaction
def add_tray(*, site: Site, actor: Actor, code: str) -> Place:
    """A numbered tray for one job's shims."""
    actor.must(Action.EDIT_CATALOGUE, site)
    refuse_taken_code(site, code)
    return insert(Place(site=site, kind=PlaceKind.TRAY, code=code), "The tray cannot be entered")


@write_transaction
def add_supplier(*, actor: Actor, code: str, name: str, lead_days: int) -> Supplier:
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    _refuse_taken(Supplier, code)
    return insert(Supplier(code=code, name=name, lead_days=lead_days), "The supplier cannot be entered")


@write_transaction
def change_supplier(
    *, actor: Actor, supplier: Supplier, name: str | None = None, lead_days: int | None = None
) -> Supplier:
    """Another name or time to deliver; None leaves what is there."""
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    supplier = Supplier.objects.select_for_update().get(pk=supplier.pk)
    supplier.name = supplier.name if name is None else name
    supplier.lead_days = supplier.lead_days if lead_days is None else lead_days
    check_fields(supplier, "The supplier stays as it is")
    supplier.save()
    return supplier


@write_transaction
def set_offer(
    *, actor: Actor, supplier: Supplier, family: ShimFamily, price: Decimal, currency: str
) -> Offer:
    """From now on the supplier sells any size of the family at this price each."""
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    offer = Offer.objects.filter(supplier=supplier, family=family).first()
    if offer is None:
        return add_offer(actor=actor, supplier=supplier, family=family, price=price, currency=currency)
    _refuse_price(price)
    offer.price, offer.currency = price, currency
    check_fields(offer, "The price stays as it is")
    offer.save()
    return offer


def _refuse_price(price: Decimal) -> None:
    if price < 0:
        raise Invalid("A price is not below zero.", errors=[FieldError("/price", "must be 0 or more")])


@write_transaction
def add_offer(
    *, actor: Actor, supplier: Supplier, family: ShimFamily, price: Decimal, currency: str
) -> Offer:
    """The supplier sells any size of the family at this price each."""
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    _refuse_price(price)
    if Offer.objects.filter(supplier=supplier, family=family).exists():
        raise Conflict(f"{supplier.name} has a price for {family.name} already.")
    offer = Offer(supplier=supplier, family=family, price=price, currency=currency)
    return insert(offer, "The offer cannot be entered")


def _refuse_taken(model: type[ShimFamily | Supplier], code: str) -> None:
    if model.objects.filter(code=code).exists():
        raise Invalid(f"The code {code} is taken.", errors=[FieldError("/code", "is taken; choose another")])
