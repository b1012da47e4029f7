"""The one writer of movements and balances.

Lock law: hold rows first, then balance rows in (family, place, thickness, condition) order, the site's
chain head last. Whatever is touched is touched once, by one statement that also decides (law 2), so that two
people after the last shim queue on its row and the second is told at once.
"""

import hashlib
import json
import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NamedTuple

from django.db import connection
from django.db.models import F

from inventory.compute.lengths import show
from inventory.models import (
    Balance,
    ChainHead,
    Condition,
    Movement,
    MovementLine,
    MovementSeal,
    Place,
    Reason,
)
from shop.actor import Actor
from shop.errors import FieldError, Invalid, NotEnough
from shop.models import Site

MOST_LINES = 500
MOST_QUANTITY = 100_000


class ShimKey(NamedTuple):
    """One balance, in the order in which balances are locked."""

    family_id: uuid.UUID
    place_id: uuid.UUID
    thickness_nm: int
    condition: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """So many shims into `place` (quantity above zero) or out of it (below).

    pointer: where the caller's user keyed it in, for the message when there are too few.
    """

    place: Place
    family_id: uuid.UUID
    thickness_nm: int
    condition: str
    quantity: int
    pointer: str = ""

    @property
    def key(self) -> ShimKey:
        return ShimKey(self.family_id, self.place.id, self.thickness_nm, self.condition)


def transfer(
    *,
    source: Place,
    target: Place,
    family_id: uuid.UUID,
    thickness_nm: int,
    condition: str,
    quantity: int,
    pointer: str = "",
) -> tuple[Line, Line]:
    """The two lines that take `quantity` shims from one place to another."""
    shim = {"family_id": family_id, "thickness_nm": thickness_nm, "condition": condition, "pointer": pointer}
    return (
        Line(place=source, quantity=-quantity, **shim),
        Line(place=target, quantity=quantity, **shim),
    )


def post_movement(
    *,
    site: Site,
    reason: Reason,
    actor: Actor,
    at: datetime,
    lines: Sequence[Line],
    job_id: uuid.UUID | None = None,
    document: str = "",
    note: str = "",
    reverses: Movement | None = None,
    unhold: Mapping[ShimKey, int] | None = None,
    hold: Mapping[ShimKey, int] | None = None,
) -> Movement:
    """Write one movement whole. Call inside a write transaction.

    `unhold` gives promised shims free in the same step as they are taken; `hold` promises shims in the place
    where this movement puts them. Raises NotEnough, with a line per balance that falls short, and Invalid for
    lines that are too many, zero, or do not sum to zero per family.
    """
    _refuse_bad_lines(lines)
    take_turns(lines, unhold or {})
    movement = Movement.objects.create(
        site=site,
        reason=reason,
        at=at,
        actor=actor.label,
        user=actor.user,
        request_id=actor.request_id,
        job_id=job_id,
        document=document,
        note=note,
        reverses=reverses,
    )
    rows = MovementLine.objects.bulk_create(
        MovementLine(
            movement=movement,
            position=position,
            place=line.place,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
        for position, line in enumerate(lines)
    )
    _seal(movement, rows)
    for key, quantity in sorted((hold or {}).items()):
        # The row is ours since take_turns, and the seal has just put the shims there.
        _rows(key).update(held=F("held") + quantity)
    return movement


def take_turns(lines: Iterable[Line], unhold: Mapping[ShimKey, int]) -> None:
    """Lock every balance that will change, in the one order, and refuse what would fall short."""
    net: dict[ShimKey, int] = defaultdict(int)
    shown: dict[ShimKey, Line] = {}
    for line in lines:
        net[line.key] += line.quantity
        shown.setdefault(line.key, line)
    for key in unhold:
        net.setdefault(key, 0)
    short: list[FieldError] = []
    for key in sorted(net):
        line, release = shown.get(key), unhold.get(key, 0)
        inside = line is None or not line.place.is_outside
        if inside and (net[key] < 0 or release):
            if not take(key, -min(net[key], 0), release):
                short.append(_shortage(key, line, -net[key]))
        elif line is not None:
            _touch(key, line.place)
    if short:
        raise NotEnough("Not enough shims: " + "; ".join(error.detail for error in short) + ".", errors=short)


def take(key: ShimKey, quantity: int, release: int = 0) -> bool:
    """Give `release` promised shims free if that leaves `quantity` available; the row stays locked.

    One conditional UPDATE: it decides and locks in one step, on every database.
    """
    return bool(
        _rows(key)
        .filter(held__gte=release, on_hand__gte=F("held") - release + quantity)
        .update(held=F("held") - release)
    )


def promise(key: ShimKey, quantity: int) -> bool:
    """Hold `quantity` shims if so many are available; one conditional UPDATE."""
    return bool(_rows(key).filter(on_hand__gte=F("held") + quantity).update(held=F("held") + quantity))


def give_free(key: ShimKey, quantity: int) -> None:
    """Take back a promise of `quantity` shims."""
    changed = _rows(key).filter(held__gte=quantity).update(held=F("held") - quantity)
    if not changed:
        raise AssertionError("a hold line without its balance: run the audit")


def available(key: ShimKey) -> int:
    """On hand less held; 0 where there is no such balance."""
    found = _rows(key).values_list("on_hand", "held").first()
    return found[0] - found[1] if found else 0


def _rows(key: ShimKey):
    return Balance.objects.filter(
        place_id=key.place_id,
        family_id=key.family_id,
        thickness_nm=key.thickness_nm,
        condition=key.condition,
    )


def _touch(key: ShimKey, place: Place) -> None:
    """Lock the balance, making it if it is new: one statement, so that two first comers cannot collide."""
    convert = Balance._meta.get_field("place").target_field.get_db_prep_value
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO inventory_balance"
            " (site_id, place_id, family_id, thickness_nm, condition, outside)"
            " VALUES (%s, %s, %s, %s, %s, %s)"
            " ON CONFLICT (place_id, family_id, thickness_nm, condition)"
            " DO UPDATE SET held = inventory_balance.held",
            [
                convert(place.site_id, connection),
                convert(place.id, connection),
                convert(key.family_id, connection),
                key.thickness_nm,
                key.condition,
                place.is_outside,
            ],
        )


def _shortage(key: ShimKey, line: Line | None, wanted: int) -> FieldError:
    where = line.place.code if line else str(Place.objects.get(pk=key.place_id))
    here = available(key)
    words = Condition(key.condition).label.lower()
    return FieldError(
        line.pointer if line else "",
        f"{wanted} × {show(key.thickness_nm)} mm {words} asked from {where}, {here} available",
    )


def _refuse_bad_lines(lines: Sequence[Line]) -> None:
    if not 2 <= len(lines) <= MOST_LINES:
        raise Invalid(f"A movement has 2 to {MOST_LINES} lines; this one has {len(lines)}.")
    sums: dict[uuid.UUID, int] = defaultdict(int)
    for line in lines:
        if not 1 <= abs(line.quantity) <= MOST_QUANTITY:
            raise Invalid(
                f"A quantity is 1 to {MOST_QUANTITY}; this one is {abs(line.quantity)}.",
                errors=[FieldError(line.pointer, f"must be 1 to {MOST_QUANTITY}")],
            )
        sums[line.family_id] += line.quantity
    if any(sums.values()):
        raise Invalid("The lines of a movement must sum to zero per shim family.")


def _seal(movement: Movement, lines: Sequence[MovementLine]) -> None:
    head = ChainHead.objects.select_for_update().get(site_id=movement.site_id)
    MovementSeal.objects.create(
        movement=movement,
        site_id=movement.site_id,
        position=head.position + 1,
        line_count=len(lines),
        previous_hash=head.hash,
        hash=chain_hash(head.hash, movement, lines),
    )


def chain_hash(previous: str, movement: Movement, lines: Iterable[MovementLine]) -> str:
    """SHA-256 over the hash before and the movement in one canonical form, as 64 hex digits."""
    return hashlib.sha256(previous.encode() + canonical(movement, lines)).hexdigest()


def canonical(movement: Movement, lines: Iterable[MovementLine]) -> bytes:
    """Every field of a movement and its lines, as bytes that do not depend on the database."""
    fields = [
        str(movement.uid),
        str(movement.site_id),
        str(movement.reason),
        movement.at.astimezone(UTC).isoformat(timespec="microseconds"),
        movement.actor,
        str(movement.user_id or ""),
        movement.request_id,
        str(movement.job_id or ""),
        movement.document,
        movement.note,
        str(movement.reverses_id or ""),
        [
            [
                line.position,
                str(line.place_id),
                str(line.family_id),
                line.thickness_nm,
                str(line.condition),
                line.quantity,
            ]
            for line in sorted(lines, key=lambda line: line.position)
        ],
    ]
    return json.dumps(fields, ensure_ascii=True, separators=(",", ":")).encode()
