"""Shims between sites: sent, on their way, taken in; called back or written off where they do not arrive.

Until they are taken in they stand in the sender's books, in transit. A transfer's movements are undone here
and not by a bare reversal, so that the transfer and the ledger always tell the same.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from inventory.models import (
    Condition,
    Movement,
    Place,
    PlaceKind,
    Reason,
    Transfer,
    TransferLine,
    TransferMovement,
)
from inventory.selectors.places import place_of
from inventory.services.hold_state import lock_holds
from inventory.services.ledger import Line, lock_balances, post_movement
from inventory.services.numbering import next_number
from inventory.services.shim_lines import (
    Shims,
    lines_between,
    must_say,
    refuse,
    refuse_bad_lots,
    refuse_other_family,
)
from inventory.services.texts import check_texts
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Invalid, NotFound, StaleVersion, WrongState
from shop.models import Site
from shop.roles import Action

SENT_FROM = (PlaceKind.BIN, PlaceKind.RECEIVING)
# How a transfer's movements end what is in transit; sending begins it.
TAKEN_BACK = (Reason.ARRIVE, Reason.COUNT)


@write_transaction
def send_shims(
    *, site: Site, target: Site, actor: Actor, at: datetime, shims: Sequence[Shims], note: str = ""
) -> Transfer:
    """Send lots from the site's bins or its receiving place to another site.

    Raises NotEnough for what is not there or is held, Invalid for the site itself as the target.
    """
    actor.must(Action.TRANSFER, site)
    if target.id == site.id:
        words = "must be another site; within one, move the shims between bins"
        raise Invalid(f"Nothing was sent: the target {words}.", errors=[FieldError("/target", words)])
    check_texts(Transfer, note=note)
    refuse_bad_lots(shims, site, SENT_FROM)
    number = next_number(site, Transfer.objects.filter(source=site))
    transfer = Transfer.objects.create(
        number=number, source=site, target=target, sent_at=at, sent_by=actor.label, note=note
    )
    transit = place_of(site, PlaceKind.TRANSIT)
    movement = post_movement(
        site=site,
        reason=Reason.SEND,
        actor=actor,
        at=at,
        lines=lines_between([(_place(line), transit, line) for line in shims]),
        document=str(transfer),
        note=note,
        unhold=lock_holds(site=site, at=at).freed,
    )
    TransferMovement.objects.create(movement=movement, transfer=transfer)
    TransferLine.objects.bulk_create(
        TransferLine(
            transfer=transfer,
            position=position,
            taken_from=_place(line),
            family=line.family,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
        for position, line in enumerate(shims)
    )
    return transfer


@write_transaction
def arrive_shims(
    *,
    transfer: Transfer,
    actor: Actor,
    at: datetime,
    arrived: Mapping[int, int] | None = None,
    places: Mapping[int, Place] | None = None,
    note: str = "",
    version: int | None = None,
    confirm: bool = False,
) -> Transfer:
    """Take in at the target what came of a transfer: line position -> how many; None for all of it.

    Each line goes to the bin named for it in `places`, else to receiving (shims that are not measured, to
    inspection). What is missing stays in transit. `version`: the transfer as the caller saw it; StaleVersion
    when somebody took something in since.
    """
    actor.must(Action.TRANSFER, transfer.target)
    transfer, lines = _locked(transfer, version)
    counts = {p: line.in_transit for p, line in lines.items() if line.in_transit}
    if arrived is not None:
        counts = {position: count for position, count in arrived.items() if count}
    _refuse_bad_arrival(transfer, lines, counts, places or {})
    named = [position for position in counts if position in (places or {})]
    refuse_other_family(
        [replace(_shims(lines[position], 1), place=(places or {})[position]) for position in named],
        confirm=confirm,
        pointers=[f"/places/{position}" for position in named],
    )
    defaults = {kind: place_of(transfer.target, kind) for kind in (PlaceKind.RECEIVING, PlaceKind.INSPECTION)}
    transit = place_of(transfer.source, PlaceKind.TRANSIT)
    moves = []
    for position, count in counts.items():
        line = lines[position]
        measured = line.condition != Condition.UNMEASURED
        default = defaults[PlaceKind.RECEIVING if measured else PlaceKind.INSPECTION]
        moves.append((transit, (places or {}).get(position, default), _shims(line, count)))
        line.arrived += count
    _post(transfer, transfer.target, Reason.ARRIVE, actor, at, lines_between(moves), note)
    return _settle(transfer, lines.values(), at)


@write_transaction
def recall_transfer(
    *, transfer: Transfer, actor: Actor, at: datetime, note: str = "", version: int | None = None
) -> Transfer:
    """What is still in transit came back to the sender: into the bins that it was taken from, or into
    receiving where such a bin is no longer in use. The transfer is closed."""
    actor.must(Action.TRANSFER, transfer.source)
    transfer, lines = _locked(transfer, version)
    transit = place_of(transfer.source, PlaceKind.TRANSIT)
    receiving = place_of(transfer.source, PlaceKind.RECEIVING)
    moves = [
        (transit, receiving if line.taken_from.retired_at else line.taken_from, _shims(line, line.in_transit))
        for line in lines.values()
        if line.in_transit
    ]
    _post(transfer, transfer.source, Reason.ARRIVE, actor, at, lines_between(moves), note or "called back")
    for line in lines.values():
        line.came_back += line.in_transit
    return _settle(transfer, lines.values(), at)


@write_transaction
def write_off_transfer(
    *, transfer: Transfer, actor: Actor, at: datetime, note: str, version: int | None = None
) -> Transfer:
    """What is still in transit is lost: a count difference in the sender's books, with a reason in `note`."""
    actor.must(Action.WRITE_OFF, transfer.source)
    must_say("/note", note, "Say why the shims are written off.")
    transfer, lines = _locked(transfer, version)
    transit = place_of(transfer.source, PlaceKind.TRANSIT)
    difference = place_of(transfer.source, PlaceKind.DIFFERENCE)
    moves = [
        (transit, difference, _shims(line, line.in_transit)) for line in lines.values() if line.in_transit
    ]
    _post(transfer, transfer.source, Reason.COUNT, actor, at, lines_between(moves), note)
    for line in lines.values():
        line.written_off += line.in_transit
    return _settle(transfer, lines.values(), at)


@write_transaction
def take_back_arrival(
    *, transfer: Transfer, movement: Movement, actor: Actor, at: datetime, note: str
) -> Transfer:
    """Undo a wrong arrival, at the target or, where the transfer was called back, at the sender; or a wrong
    write-off: its shims are in transit again, and the transfer is open.

    Raises Conflict when it was taken back before, NotEnough when the shims have moved on or are held.
    """
    if not transfer.movements.filter(movement=movement, movement__reason__in=TAKEN_BACK).exists():
        raise NotFound(f"{transfer} has no such arrival.")
    actor.must(Action.REVERSE, movement.site)
    must_say("/note", note, "Say why it is taken back.")
    transfer = _lock(transfer)
    freed = lock_holds(site=movement.site, at=at).freed
    lines = [
        Line(
            place=line.place,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=-line.quantity,
        )
        for line in movement.lines.select_related("place")
    ]
    lock_balances(lines, freed)
    if earlier := Movement.objects.filter(reverses=movement).first():
        raise Conflict(
            f"This was taken back already, by movement {earlier.seq}.",
            code="already-reversed",
            extra={"reversed_by": str(earlier.uid)},
        )
    undone = post_movement(
        site=movement.site,
        reason=Reason.REVERSE,
        actor=actor,
        at=at,
        lines=lines,
        document=str(transfer),
        note=note,
        reverses=movement,
        unhold=freed,
    )
    TransferMovement.objects.create(movement=undone, transfer=transfer)
    in_transit = [line for line in lines if line.place.kind == PlaceKind.TRANSIT]
    _give_back(transfer, in_transit, _counted_as(transfer, movement))
    transfer.state, transfer.closed_at = Transfer.State.IN_TRANSIT, None
    transfer.version += 1
    transfer.save(update_fields=["state", "closed_at", "version"])
    return transfer


def _place(shims: Shims) -> Place:
    if shims.place is None:
        raise AssertionError("refuse_bad_lots lets no lot without its place through")
    return shims.place


def _shims(line: TransferLine, quantity: int) -> Shims:
    return Shims(
        family=line.family, thickness_nm=line.thickness_nm, condition=line.condition, quantity=quantity
    )


def _lock(transfer: Transfer, version: int | None = None) -> Transfer:
    fresh = (
        Transfer.objects.select_for_update(of=("self",))
        .select_related("source", "target")
        .get(pk=transfer.pk)
    )
    if version is not None and version != fresh.version:
        raise StaleVersion(
            f"{fresh} was changed since you opened it, so nothing was booked. Look at it as it is now, put "
            "right what you keyed in and do it again.",
            extra={"version": fresh.version},
        )
    return fresh


def _locked(transfer: Transfer, version: int | None = None) -> tuple[Transfer, dict[int, TransferLine]]:
    """The transfer, locked and still in transit, with its lines by position."""
    fresh = _lock(transfer, version)
    if fresh.state != Transfer.State.IN_TRANSIT:
        raise WrongState(f"{fresh} is closed already: nothing of it is in transit.")
    return fresh, {line.position: line for line in fresh.lines.select_related("family", "taken_from")}


def _post(
    transfer: Transfer,
    site: Site,
    reason: Reason,
    actor: Actor,
    at: datetime,
    lines: Sequence[Line],
    note: str,
) -> None:
    movement = post_movement(
        site=site, reason=reason, actor=actor, at=at, lines=lines, document=str(transfer), note=note
    )
    TransferMovement.objects.create(movement=movement, transfer=transfer)


def _settle(transfer: Transfer, lines: Sequence[TransferLine], at: datetime) -> Transfer:
    """Write down what became of the lines, and close the transfer once nothing of it is in transit."""
    TransferLine.objects.bulk_update(lines, ["arrived", "came_back", "written_off"])
    if not any(line.in_transit for line in lines):
        transfer.state, transfer.closed_at = Transfer.State.CLOSED, at
    transfer.version += 1
    transfer.save(update_fields=["state", "closed_at", "version"])
    return transfer


def _counted_as(transfer: Transfer, movement: Movement) -> str:
    """The field of the lines that says what became of the shims by this movement."""
    if movement.reason == Reason.COUNT:
        return "written_off"
    return "arrived" if movement.site_id == transfer.target_id else "came_back"


def _give_back(transfer: Transfer, undone: Sequence[Line], field: str) -> None:
    """Take what is in transit again off the lines that it was counted under; equal lots are one to the
    ledger."""
    left: dict[tuple[object, int, str], int] = defaultdict(int)
    for line in undone:
        left[line.family_id, line.thickness_nm, line.condition] += line.quantity
    lines = list(transfer.lines.all())
    for line in reversed(lines):
        lot = (line.family_id, line.thickness_nm, line.condition)
        counted = getattr(line, field)
        taken = min(left[lot], counted)
        setattr(line, field, counted - taken)
        left[lot] -= taken
    if any(left.values()):
        raise AssertionError(f"{transfer} says {field} of fewer than the ledger says")
    TransferLine.objects.bulk_update(lines, [field])


def _refuse_bad_arrival(
    transfer: Transfer,
    lines: Mapping[int, TransferLine],
    counts: Mapping[int, int],
    places: Mapping[int, Place],
) -> None:
    errors = []
    for position, count in counts.items():
        left = lines[position].in_transit if position in lines else 0
        if not 1 <= count <= left:
            errors.append(FieldError(f"/arrived/{position}", f"{count} arrived, {left} in transit"))
    for position, place in places.items():
        target = transfer.target
        if place.site_id != target.id or place.kind != PlaceKind.BIN or place.retired_at:
            errors.append(
                FieldError(f"/places/{position}", f"{place.code} is no bin in use at {target.name}")
            )
    if not counts:
        errors.append(FieldError("/arrived", "say how many came"))
    refuse(errors)
