"""Books of a given size for the bench: many sites, loaded as rows, as valid as if the services had done it.

Each site has cabinets of bins in pairs that hold the same shims. They are received in movements of twenty
lines; then shims go from the one bin of a pair to the other and back, half of the lines in movements of two,
half in movements of ten. Movements are chained as the ledger does it; the balances are their sums. Triggers
and references are not looked at while the rows go in: that the audit is clean afterwards is the proof.
"""

import itertools
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta

from django.db import connection, transaction

from inventory.compute.lengths import parse
from inventory.models import ChainHead, Place, PlaceKind, ShimFamily
from inventory.services.catalogue import add_family
from inventory.services.ledger import digest_of
from inventory.services.sites import open_site
from shop.actor import service_actor
from shop.ids import new_id
from shop.models import Site

FAMILIES, SIZES, QUANTITY = 8, 49, 12
LOTS_PER_BIN, LOTS_PER_RECEIPT, MOVED_AT_ONCE = 4, 10, 5
AT = datetime(2024, 1, 2, 8, 0, tzinfo=UTC)
MOVEMENT = "seq, uid, site_id, reason, at, actor, request_id, document, note"
LINE = "id, movement_id, position, place_id, family_id, thickness_nm, condition, quantity"
SEAL = "movement_id, site_id, position, line_count, previous_hash, hash"

Lot = tuple[str, str, int, str]
"""Place and family by their ids, thickness in nanometres, condition."""


def load(*, lines: int, balances: int, sites: int) -> list[Site]:
    """Load so many lines and, to a few, so many balances at so many sites; the sites. PostgreSQL only."""
    families = [_family(number) for number in range(FAMILIES)]
    made = [open_site(code=f"s{number:02d}", name=f"Yard {number}") for number in range(sites)]
    bins = max(balances // sites // LOTS_PER_BIN // (2 * FAMILIES), 1) * 2 * FAMILIES
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
        cursor.execute("SET LOCAL statement_timeout = 0")
        indexes = _drop_indexes(cursor)
        numbers = _Numbers()
        for site in made:
            _load_site(cursor, site, families, bins, lines // sites, numbers)
        for index in indexes:
            cursor.execute(index)
        _sum_up(cursor)
        for table, column in (("inventory_movement", "seq"), ("inventory_movementline", "id")):
            last = f"(SELECT MAX({column}) FROM {table})"
            cursor.execute(f"SELECT setval(pg_get_serial_sequence('{table}', '{column}'), {last})")
    with connection.cursor() as cursor:
        cursor.execute("VACUUM ANALYZE")
    return made


class _Numbers:
    def __init__(self) -> None:
        self.movement = itertools.count(1)
        self.line = itertools.count(1)


def _family(number: int) -> ShimFamily:
    def mm(figure: str):
        return parse(figure, "mm")

    return add_family(
        actor=service_actor(),
        code=f"d{20 + number}",
        name=f"{20 + number} mm disc",
        form="disc_over",
        marking="thousandths",
        diameter=mm(f"{20 + number}.0"),
        thinnest=mm("2.000"),
        thickest=mm("3.200"),
        step=mm("0.025"),
    )


def _load_site(
    cursor, site: Site, families: Sequence[ShimFamily], bins: int, lines: int, numbers: _Numbers
) -> None:
    places = [
        Place(
            site=site,
            kind=PlaceKind.BIN,
            code=f"B{number:04d}",
            cabinet=f"C{number // 100}",
            row=number // 10 % 10 + 1,
            column=number % 10 + 1,
            family=families[number * len(families) // bins],
        )
        for number in range(bins)
    ]
    Place.objects.bulk_create(places)
    supplier = str(Place.objects.get(site=site, kind=PlaceKind.SUPPLIER).pk)
    lots = _lots(places, families)
    chain = _Chain(site)
    receipts = _receipts(lots, supplier)
    left = lines - 2 * len(lots)
    writer = _Writer(chain, numbers)
    for movement in itertools.chain(receipts, _moves(lots, left)):
        writer.add(*movement)
    writer.copy(cursor)
    ChainHead.objects.filter(site=site).update(position=chain.position, hash=chain.hash)


def _lots(places: Sequence[Place], families: Sequence[ShimFamily]) -> list[tuple[Lot, Lot]]:
    """Each shim with its lot in the one and in the other bin of a pair."""
    found = []
    for pair, (one, other) in enumerate(zip(places[::2], places[1::2], strict=True)):
        for number in range(LOTS_PER_BIN):
            size = 2_000_000 + 25_000 * ((2 * pair + number // 2) % SIZES)
            used = number % 2 == 1
            shim = (str(one.family_id), size + (1_000 * (pair % 20 + 1) if used else 0))
            condition = "used" if used else "new"
            found.append(((str(one.pk), *shim, condition), (str(other.pk), *shim, condition)))
    return found


def _receipts(lots: Sequence[tuple[Lot, Lot]], supplier: str) -> Iterator[tuple[str, list]]:
    flat = [lot for pair in lots for lot in pair]
    for first in range(0, len(flat), LOTS_PER_RECEIPT):
        entries = []
        for lot in flat[first : first + LOTS_PER_RECEIPT]:
            entries += [((supplier, *lot[1:]), -QUANTITY), (lot, QUANTITY)]
        yield "receive", entries


def _moves(lots: Sequence[tuple[Lot, Lot]], lines: int) -> Iterator[tuple[str, list]]:
    """Shims from one bin of a pair to the other, the next time round back again."""
    for number in itertools.count():
        if lines < 2:
            return
        # Two lines each, five times, for one of ten: half of the lines in each kind.
        size = MOVED_AT_ONCE if number % (MOVED_AT_ONCE + 1) == 0 and lines >= 2 * MOVED_AT_ONCE else 1
        entries = []
        for step in range(size):
            turn, which = divmod(number * MOVED_AT_ONCE + step, len(lots))
            source, target = lots[which] if turn % 2 == 0 else lots[which][::-1]
            entries += [(source, -1), (target, 1)]
        lines -= 2 * size
        yield "move", entries


class _Chain:
    def __init__(self, site: Site) -> None:
        self.site = str(site.pk)
        self.position = 0
        self.hash = "0" * 64


class _Writer:
    """The rows of one site's movements, in the text form of PostgreSQL's COPY."""

    def __init__(self, chain: _Chain, numbers: _Numbers) -> None:
        self._chain = chain
        self._numbers = numbers
        self._movements: list[str] = []
        self._lines: list[str] = []
        self._seals: list[str] = []

    def add(self, reason: str, entries: Sequence[tuple[Lot, int]]) -> None:
        chain, seq, uid = self._chain, next(self._numbers.movement), new_id()
        at = (AT + timedelta(minutes=chain.position)).isoformat(timespec="microseconds")
        # As ledger.encoded(ledger.canonical(…)) gives it, without making models of it.
        shims = ",".join(
            f'[{position},"{place}","{family}",{nm},"{condition}",{quantity}]'
            for position, ((place, family, nm, condition), quantity) in enumerate(entries)
        )
        text = f'["{uid}","{chain.site}","{reason}","{at}","Coldgap","","","","","","",[{shims}]]'
        sealed = digest_of(chain.hash, text)
        chain.position += 1
        self._movements.append(f"{seq}\t{uid}\t{chain.site}\t{reason}\t{at}\tColdgap\t\t\t\n")
        self._lines += [
            f"{next(self._numbers.line)}\t{seq}\t{position}\t{place}\t{family}\t{nm}\t{condition}\t{quantity}\n"
            for position, ((place, family, nm, condition), quantity) in enumerate(entries)
        ]
        self._seals.append(f"{seq}\t{chain.site}\t{chain.position}\t{len(entries)}\t{chain.hash}\t{sealed}\n")
        chain.hash = sealed

    def copy(self, cursor) -> None:
        for table, columns, rows in (
            ("inventory_movement", MOVEMENT, self._movements),
            ("inventory_movementline", LINE, self._lines),
            ("inventory_movementseal", SEAL, self._seals),
        ):
            with cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copy:
                copy.write("".join(rows))


def _drop_indexes(cursor) -> list[str]:
    """Drop what is quicker made anew after the rows; the statements that make it."""
    cursor.execute(
        "SELECT c.relname, pg_get_indexdef(c.oid) FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid"
        " WHERE i.indrelid IN ('inventory_movementline'::regclass, 'inventory_movement'::regclass)"
        " AND NOT EXISTS (SELECT 1 FROM pg_constraint k WHERE k.conindid = c.oid)"
    )
    found = cursor.fetchall()
    for name, _ in found:
        cursor.execute(f'DROP INDEX "{name}"')
    return [definition for _, definition in found]


def _sum_up(cursor) -> None:
    outside = ", ".join(f"'{kind}'" for kind in sorted(PlaceKind.outside()))
    cursor.execute(
        "INSERT INTO inventory_balance (site_id, place_id, family_id, thickness_nm, condition, outside,"
        " on_hand, held) SELECT p.site_id, l.place_id, l.family_id, l.thickness_nm, l.condition,"
        f" p.kind IN ({outside}), SUM(l.quantity), 0"
        " FROM inventory_movementline l JOIN inventory_place p ON p.id = l.place_id"
        " GROUP BY p.site_id, l.place_id, l.family_id, l.thickness_nm, l.condition, p.kind"
    )
