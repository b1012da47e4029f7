"""What is found of a delivery at the counter: checked, written down, claimed from the supplier."""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from inventory.compute.lengths import Length, LengthError, parse_text, show
from inventory.compute.purchase import LeadTime, days_taken
from inventory.compute.sampling import judge, sample_size
from inventory.compute.sizes import check_used_shim, no_such_size
from inventory.models import Movement, PurchaseLine, PurchaseList, Receipt, ReceiptLine, SupplierClaim
from inventory.services.ledger import MOST_QUANTITY
from shop.actor import Actor
from shop.conf import conf
from shop.errors import FieldError, Invalid


class BeyondTheOrder(Invalid):
    """More was found of a line than is outstanding, which may be a slip of the finger: is that meant?"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What was found of one line beside what came as ordered. Counts are shims.

    wrong_nm: the size of the wrong ones. measured: the readings of a sample of what came as ordered. price:
    of one pack, as it was really paid.
    """

    over: int = 0
    damaged: int = 0
    wrong: int = 0
    wrong_nm: int | None = None
    short: int = 0
    measured: tuple[Length, ...] = ()
    price: Decimal | None = None

    @property
    def pieces(self) -> int:
        """Shims that were in the parcel and are not as ordered."""
        return self.over + self.damaged + self.wrong

    @property
    def says_something(self) -> bool:
        return bool(self.pieces or self.short)


def tolerance_nm() -> int:
    """How far a new shim may lie from its mark: what plans reckon with for an unworn one (a setting)."""
    return parse_text(conf.unworn_uncertainty).nm


def fails(line: PurchaseLine, found: Found | None) -> bool:
    """Whether the sample rejects what came of the line."""
    if found is None or not found.measured:
        return False
    return not judge(line.thickness_nm, [each.nm for each in found.measured], tolerance_nm()).accepted


def bad_findings(
    found: Mapping[uuid.UUID, Found],
    received: Mapping[uuid.UUID, int],
    lines: Mapping[uuid.UUID, PurchaseLine],
) -> list[FieldError]:
    """What cannot be meant; pointers are /found/<line>/<field>."""
    errors = []
    for pk, each in found.items():
        line, where = lines[pk], f"/found/{pk}"
        of = f"of {show(line.thickness_nm)} mm"
        for name in ("over", "damaged", "wrong", "short"):
            if not 0 <= getattr(each, name) <= MOST_QUANTITY:
                errors.append(FieldError(f"{where}/{name}", f"must be 0 to {MOST_QUANTITY:,}"))
        if each.wrong and each.wrong_nm is None:
            errors.append(FieldError(f"{where}/wrong_nm", f"say which size came instead {of}"))
        if each.wrong_nm is not None and (
            words := no_such_size(line.family.range, each.wrong_nm, line.family.name)
        ):
            errors.append(FieldError(f"{where}/wrong_nm", words))
        elif each.wrong_nm == line.thickness_nm:
            errors.append(FieldError(f"{where}/wrong_nm", f"{show(each.wrong_nm)} mm is what was ordered"))
        came = received.get(pk, 0)
        outstanding = line.quantity - line.received
        if each.over and came < outstanding:
            words = f"only {came} of {outstanding} outstanding {of} came; count them as such first"
            errors.append(FieldError(f"{where}/over", words))
        in_parcel = came + each.damaged + each.wrong
        if each.short > (most := max(outstanding - in_parcel, 0)):
            seen = f"{outstanding} {of} are outstanding and {in_parcel} were in the parcel"
            words = f"{seen}, so at most {most} miss"
            errors.append(FieldError(f"{where}/short", words))
        errors += _bad_sample(each, came, where) + _not_of_family(each, line, where)
        if each.price is not None and not (
            each.price.is_finite() and 0 <= each.price < 10**8 and each.price == round(each.price, 4)
        ):
            words = "a price is 0 or more, with at most four decimals"
            errors.append(FieldError(f"{where}/price", words))
    return errors


def beyond_the_order(
    found: Mapping[uuid.UUID, Found],
    received: Mapping[uuid.UUID, int],
    lines: Mapping[uuid.UUID, PurchaseLine],
) -> list[FieldError]:
    """What somebody has to confirm: more in the parcel than is outstanding of a line without being counted as
    beyond the order, or more beyond it than was ordered at all. Pointers as those of `bad_findings`."""
    errors = []
    for pk, each in found.items():
        line, came, bad = lines[pk], received.get(pk, 0), each.damaged + each.wrong
        of, outstanding = f"of {show(line.thickness_nm)} mm", line.quantity - line.received
        if bad and came + bad > outstanding:
            name = "damaged" if each.damaged >= each.wrong else "wrong"
            words = (
                f"{came} as ordered and {bad} damaged or of a wrong size are {came + bad} {of}, and "
                f"{outstanding} are outstanding; with {came} as ordered, {outstanding - came} would be right"
            )
            errors.append(FieldError(f"/found/{pk}/{name}", words))
        if each.over > line.quantity:
            words = f"{each.over} {of} beyond an order of {line.quantity} are more than were ordered"
            errors.append(FieldError(f"/found/{pk}/over", words))
    return errors


def write_receipt(
    *,
    purchase_list: PurchaseList,
    lines: Mapping[uuid.UUID, PurchaseLine],
    came: Mapping[uuid.UUID, int],
    rejected: Mapping[uuid.UUID, int],
    found: Mapping[uuid.UUID, Found],
    movement: Movement | None,
    document: str,
    actor: Actor,
    at: datetime,
) -> Receipt:
    """Write down a delivery that was booked, and open a claim for each thing that was wrong with it."""
    taken, promised = _days(purchase_list, at)
    receipt = Receipt.objects.create(
        site=purchase_list.site,
        purchase_list=purchase_list,
        at=at,
        by=actor.label,
        document=document,
        lead_days=taken,
        promised_days=promised,
        movement=movement,
    )
    nothing = Found()
    rows = [
        ReceiptLine(
            receipt=receipt,
            line=line,
            good=came.get(pk, 0),
            over=each.over,
            damaged=each.damaged,
            wrong=each.wrong,
            wrong_nm=each.wrong_nm if each.wrong else None,
            short=each.short,
            rejected=rejected.get(pk, 0),
            measured=[length.keyed for length in each.measured],
            price=each.price,
        )
        for pk, line in lines.items()
        if pk in came or pk in rejected or pk in found
        for each in [found.get(pk, nothing)]
    ]
    ReceiptLine.objects.bulk_create(rows)
    claims = [
        claim_over(row, purchase_list, kind=kind, quantity=quantity, actor=actor, at=at)
        for row in rows
        for kind, quantity in _claimed(row)
        if quantity
    ]
    SupplierClaim.objects.bulk_create(claims)
    return receipt


def in_words_of(
    lines: Mapping[uuid.UUID, PurchaseLine],
    came: Mapping[uuid.UUID, int],
    rejected: Mapping[uuid.UUID, int],
    found: Mapping[uuid.UUID, Found],
) -> str:
    """What came, for the list's history."""
    parts = [f"{count} × {show(lines[pk].thickness_nm)} mm" for pk, count in came.items()]
    parts += [
        f"{count} × {show(lines[pk].thickness_nm)} mm rejected by their sample"
        for pk, count in rejected.items()
    ]
    for pk, each in found.items():
        of = f"of {show(lines[pk].thickness_nm)} mm"
        named = ((each.over, "too many"), (each.damaged, "damaged"), (each.short, "not in the parcel"))
        parts += [f"{count} {of} {words}" for count, words in named if count]
        if each.wrong and each.wrong_nm is not None:
            parts.append(f"{each.wrong} of {show(each.wrong_nm)} mm instead {of}")
    return f"Received: {'; '.join(parts)}."


def _bad_sample(each: Found, came: int, where: str) -> list[FieldError]:
    least = sample_size(came)
    if not each.measured or least <= len(each.measured) <= came:
        return []
    if not came:
        return [FieldError(f"{where}/measured", "nothing of this line came that could be measured")]
    words = f"measure {least} to {came} of these {came}, or none; these are {len(each.measured)}"
    return [FieldError(f"{where}/measured", words)]


def _not_of_family(each: Found, line: PurchaseLine, where: str) -> list[FieldError]:
    """A reading that no shim of the family can have is a slip, or that of another shim: a claim is not opened
    over it."""
    for reading in each.measured:
        try:
            check_used_shim(line.family.range, reading, "reading")
        except LengthError as error:
            words = f"{error.message} If it is really so, count it as damaged or wrong."
            return [FieldError(f"{where}/measured", words)]
    return []


def claim_over(
    row: ReceiptLine,
    purchase_list: PurchaseList,
    *,
    kind: str,
    quantity: int,
    actor: Actor,
    at: datetime,
    reason: str = "",
) -> SupplierClaim:
    """A claim over shims of a line of a delivery, not yet written."""
    return SupplierClaim(
        site=purchase_list.site,
        supplier=purchase_list.supplier,
        receipt_line=row,
        kind=kind,
        quantity=quantity,
        currency=purchase_list.currency or row.line.currency or conf.currency,
        reason=reason,
        opened_at=at,
        opened_by=actor.label,
    )


def _claimed(row: ReceiptLine) -> tuple[tuple[str, int], ...]:
    kinds = SupplierClaim.Kind
    return (
        (kinds.DAMAGED, row.damaged),
        (kinds.WRONG_SIZE, row.wrong),
        (kinds.SHORT, row.short),
        (kinds.REJECTED, row.rejected),
    )


def _days(purchase_list: PurchaseList, at: datetime) -> tuple[int, int]:
    """The working days that the delivery took and those that it was promised for."""
    supplier = purchase_list.supplier
    lead = LeadTime(
        working_days=0,
        cut_off=supplier.cut_off,
        holidays=frozenset(date.fromisoformat(day) for day in supplier.holidays),
        zone=ZoneInfo(purchase_list.site.time_zone),
    )
    ordered = purchase_list.sent_at or purchase_list.created_at
    expected = purchase_list.expected_at
    promised = supplier.lead_days if expected is None else days_taken(lead, ordered, expected)
    return days_taken(lead, ordered, at), promised
