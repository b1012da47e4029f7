"""On what terms suppliers sell: minimum orders, delivery, holidays, price lists; and exchange rates."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from hashlib import sha256
from itertools import pairwise

from inventory.compute.money import MoneyError, known_currency
from inventory.compute.sizes import no_such_size
from inventory.models import ExchangeRate, PartPrice, ShimFamily, Supplier
from inventory.services.many_rows import in_row, rows_in_words
from inventory.services.rows import check_fields
from shop.actor import Actor
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, StaleVersion
from shop.roles import Action

MOST_HOLIDAYS = 400
MOST_PACK = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What a supplier's terms are from now on; amounts in `currency`. lead_days: None leaves it as it is."""

    currency: str
    minimum_value: Decimal = Decimal(0)
    minimum_pieces: int = 0
    delivery_fee: Decimal = Decimal(0)
    free_from: Decimal | None = None
    cut_off: time | None = None
    holidays: tuple[date, ...] = ()
    email: str = ""
    our_number: str = ""
    lead_days: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRow:
    """One row of a price list: a pack of this part costs `price` from so many packs on."""

    part_number: str
    family: ShimFamily
    thickness_nm: int
    price: Decimal
    valid_from: date
    pack: int = 1
    from_packs: int = 1
    incremental: bool = False
    valid_to: date | None = None
    lead_days: int | None = None


@write_transaction
def set_terms(*, actor: Actor, supplier: Supplier, terms: Terms, seen: str | None = None) -> Supplier:
    """Other terms for what is ordered from now on; orders that were sent keep theirs. `seen`: the mark
    (`terms_mark`) of the terms that the caller was shown. Raises StaleVersion where others stand now.
    """
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    supplier = Supplier.objects.select_for_update().get(pk=supplier.pk)
    if seen is not None and seen != terms_mark(supplier):
        raise StaleVersion(
            f"Somebody changed the terms of {supplier} since you opened them, so nothing was changed. What "
            "stands now is shown below: look at what you keyed in and press again.",
            extra={"version": terms_mark(supplier)},
        )
    supplier.currency = _currency(terms.currency)
    for name in ("minimum_value", "delivery_fee", "free_from"):
        amount = getattr(terms, name)
        if amount is not None and not (amount.is_finite() and amount >= 0):
            raise Invalid("An amount is 0 or more.", errors=[FieldError(f"/{name}", "must be 0 or more")])
        setattr(supplier, name, amount)
    if len(terms.holidays) > MOST_HOLIDAYS:
        words = f"name at most {MOST_HOLIDAYS} days"
        raise Invalid(f"The terms stay as they are: {words}.", errors=[FieldError("/holidays", words)])
    supplier.holidays = sorted({day.isoformat() for day in terms.holidays})
    supplier.minimum_pieces, supplier.cut_off = terms.minimum_pieces, terms.cut_off
    supplier.email, supplier.our_number = terms.email, terms.our_number
    supplier.lead_days = supplier.lead_days if terms.lead_days is None else terms.lead_days
    check_fields(supplier, "The terms stay as they are")
    supplier.save()
    return supplier


def terms_of(supplier: Supplier) -> Terms:
    """The terms as they stand."""
    return Terms(
        currency=supplier.currency,
        minimum_value=supplier.minimum_value,
        minimum_pieces=supplier.minimum_pieces,
        delivery_fee=supplier.delivery_fee,
        free_from=supplier.free_from,
        cut_off=supplier.cut_off,
        holidays=tuple(date.fromisoformat(day) for day in supplier.holidays),
        email=supplier.email,
        our_number=supplier.our_number,
        lead_days=supplier.lead_days,
    )


def terms_mark(supplier: Supplier) -> str:
    """A text that differs when the terms do."""
    return sha256(repr(terms_of(supplier)).encode()).hexdigest()[:32]


@write_transaction
def set_rate(*, actor: Actor, at: datetime, currency: str, rate: Decimal) -> ExchangeRate:
    """Key in what one unit of another currency is in the shop's."""
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    code = _currency(currency)
    words = ""
    if code == conf.currency:
        words = f"{code} is the shop's own currency; it needs no rate"
    elif not (rate.is_finite() and 0 < rate < 10**8) or rate != round(rate, 8):
        words = "must be above 0, with at most eight decimals"
    if words:
        raise Invalid(f"The rate was not keyed in: {words}.", errors=[FieldError("/rate", words)])
    found, _ = ExchangeRate.objects.update_or_create(
        currency=code, defaults={"rate": rate, "keyed_at": at, "keyed_by": actor.label}
    )
    return found


@write_transaction
def set_part_prices(*, actor: Actor, supplier: Supplier, rows: Sequence[PartRow]) -> int:
    """The rows of a price list: each takes the place of what stands for its part, day and break. Returns how
    many there are. Raises Invalid, naming every row that cannot be meant.
    """
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    standing = PartPrice.objects.filter(supplier=supplier, part_number__in={row.part_number for row in rows})
    before: dict[tuple[str, date], dict[int, PartRow]] = defaultdict(dict)
    for price in standing.select_related("family"):
        before[price.part_number, price.valid_from][price.from_packs] = row_of(price)
    errors = part_errors(rows, before)
    if errors:
        found = [fault for number, error in sorted(errors.items()) for fault in in_row(number, [error])]
        raise Invalid(rows_in_words("The price list stays as it is", found), errors=found)
    PartPrice.objects.bulk_create(
        (
            PartPrice(
                supplier=supplier,
                part_number=row.part_number,
                family=row.family,
                thickness_nm=row.thickness_nm,
                pack=row.pack,
                from_packs=row.from_packs,
                price=row.price,
                incremental=row.incremental,
                valid_from=row.valid_from,
                valid_to=row.valid_to,
                lead_days=row.lead_days,
            )
            for row in rows
        ),
        batch_size=500,
        update_conflicts=True,
        unique_fields=["supplier", "part_number", "valid_from", "from_packs"],
        update_fields=["family", "thickness_nm", "pack", "price", "incremental", "valid_to", "lead_days"],
    )
    return len(rows)


def row_of(price: PartPrice) -> PartRow:
    """A row as it stands; `family` must be read with it."""
    return PartRow(
        part_number=price.part_number,
        family=price.family,
        thickness_nm=price.thickness_nm,
        price=price.price,
        valid_from=price.valid_from,
        pack=price.pack,
        from_packs=price.from_packs,
        incremental=price.incremental,
        valid_to=price.valid_to,
        lead_days=price.lead_days,
    )


def part_errors(
    rows: Sequence[PartRow], standing: Mapping[tuple[str, date], Mapping[int, PartRow]]
) -> dict[int, FieldError]:
    """What is wrong with rows that are added to those that stand for their parts, by their number; the
    pointer is into the row."""
    errors: dict[int, FieldError] = {}
    offers: dict[tuple[str, date], dict[int, tuple[int, PartRow]]] = defaultdict(dict)
    for number, row in enumerate(rows):
        wrong = _wrong_alone(row)
        if row.from_packs in offers[row.part_number, row.valid_from]:
            words = f"{row.part_number} has two prices from {row.from_packs} packs on"
            wrong = wrong or FieldError("/from_packs", words)
        offers[row.part_number, row.valid_from][row.from_packs] = (number, row)
        if wrong:
            errors[number] = wrong
    for key, named in offers.items():
        together = {start: (-1, row) for start, row in standing.get(key, {}).items()} | named
        for number, error in _wrong_together(together).items():
            errors.setdefault(number, error)
    return errors


def _wrong_alone(row: PartRow) -> FieldError | None:
    if not row.part_number or len(row.part_number) > 40:
        return FieldError("/part_number", "a part number has 1 to 40 characters")
    if words := no_such_size(row.family.range, row.thickness_nm, row.family.name):
        return FieldError("/thickness", words)
    if not (row.price.is_finite() and 0 < row.price < 10**8) or row.price != round(row.price, 4):
        return FieldError("/price", "a price is above 0, with at most four decimals")
    for name in ("pack", "from_packs"):
        if not 1 <= getattr(row, name) <= MOST_PACK:
            return FieldError(f"/{name}", f"packs are 1 to {MOST_PACK:,}")
    if row.valid_to is not None and row.valid_to < row.valid_from:
        return FieldError("/valid_to", "the last day lies before the first")
    return None


def _wrong_together(offer: Mapping[int, tuple[int, PartRow]]) -> dict[int, FieldError]:
    """What is wrong among the rows of one offer, said of the rows that are new (their number is not −1)."""
    wrong = {}
    ordered = [offer[start] for start in sorted(offer)]
    first = ordered[0][1]
    new = [number for number, _ in ordered if number >= 0]
    if first.from_packs != 1:
        wrong[new[0]] = FieldError("/from_packs", f"{first.part_number} has no price from 1 pack on")
    for (_, before), (number, row) in pairwise(ordered):
        blamed = number if number >= 0 else new[0]
        if _same_thing(row) != _same_thing(first):
            words = f"{row.part_number} differs from its other rows in more than the price"
            wrong[blamed] = FieldError("", words)
        elif row.price > before.price:
            words = f"{row.part_number} costs more from {row.from_packs} packs on than below"
            wrong[blamed] = FieldError("/price", words)
    return wrong


def _same_thing(row: PartRow) -> tuple[object, ...]:
    return (row.family.pk, row.thickness_nm, row.pack, row.incremental, row.valid_to, row.lead_days)


def _currency(code: str) -> str:
    try:
        return known_currency(code)
    except MoneyError as error:
        raise Invalid(str(error), errors=[FieldError("/currency", str(error))]) from error
