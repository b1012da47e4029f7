"""Recompute the books from the movements and name every difference.

Nothing here trusts what it checks: balances are summed anew from sealed lines, promises from open holds, the
chain is hashed anew from the first movement. Memory stays bounded: sums are the database's, the chain is
read as a stream. Run it in `shop.db.read_snapshot`: between two of its questions others go on writing.
"""
# ruff: noqa: S608 - what is put into this SQL stands in this file

from collections.abc import Callable, Iterator

from django.db import connection

from inventory import triggers
from inventory.compute.lengths import show
from inventory.models import ChainHead, PlaceKind
from inventory.selectors.audit_papers import posted_counts, retired_bins, transits
from inventory.selectors.chain import sealed_in_order
from inventory.services.ledger import digest

MOST_NAMED = 100  # of one kind; the rest is counted
CHUNK = 2_000
_OUTSIDE = "(" + ", ".join(f"'{kind}'" for kind in sorted(PlaceKind.outside())) + ")"

Check = Callable[[], Iterator[str]]


def audit() -> list[str]:
    """Every difference in plain words, grouped by check; [] when the books are clean."""
    found: list[str] = []
    for check in CHECKS:
        found += first_named(check())
    return found


def first_named(differences: Iterator[str], most: int = MOST_NAMED) -> Iterator[str]:
    """The first of them; the others are counted in a last line."""
    rest = 0
    for index, difference in enumerate(differences):
        if index < most:
            yield difference
        else:
            rest += 1
    if rest:
        yield f"… and {rest} more like the last"


def _rows(sql: str) -> Iterator[tuple]:
    with connection.chunked_cursor() as cursor:
        cursor.execute(sql)
        while rows := cursor.fetchmany(CHUNK):
            yield from rows


def _place_names(place_id: object) -> str:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT s.code, p.code FROM inventory_place p JOIN shop_site s ON s.id = p.site_id"
            " WHERE p.id = %s",
            [place_id],
        )
        found = cursor.fetchone()
    return f"{found[1]} at {found[0]}" if found else f"unknown place {place_id}"


def balances() -> Iterator[str]:
    """A balance that is not the sum of its sealed lines."""
    sql = """
        SELECT place_id, family_id, thickness_nm, condition, SUM(moved), SUM(kept)
        FROM (
            SELECT l.place_id, l.family_id, l.thickness_nm, l.condition, l.quantity AS moved, 0 AS kept
            FROM inventory_movementline l
            JOIN inventory_movementseal s ON s.movement_id = l.movement_id
            UNION ALL
            SELECT place_id, family_id, thickness_nm, condition, 0, on_hand FROM inventory_balance
        ) AS both_sides
        GROUP BY place_id, family_id, thickness_nm, condition
        HAVING SUM(moved) <> SUM(kept)
    """
    for place, _family, thickness, condition, moved, kept in _rows(sql):
        yield (
            f"balance: {show(thickness)} mm {condition} in {_place_names(place)}: "
            f"the movements say {moved}, the balance says {kept}"
        )


def promises() -> Iterator[str]:
    """A held count that is not the sum of the open holds' lines."""
    sql = """
        SELECT place_id, family_id, thickness_nm, condition, SUM(promised), SUM(kept)
        FROM (
            SELECT l.place_id, l.family_id, l.thickness_nm, l.condition, l.quantity AS promised, 0 AS kept
            FROM inventory_holdline l JOIN inventory_hold h ON h.id = l.hold_id
            WHERE h.state = 'held'
            UNION ALL
            SELECT place_id, family_id, thickness_nm, condition, 0, held
            FROM inventory_balance WHERE held <> 0
        ) AS both_sides
        GROUP BY place_id, family_id, thickness_nm, condition
        HAVING SUM(promised) <> SUM(kept)
    """
    for place, _family, thickness, condition, promised, kept in _rows(sql):
        yield (
            f"held: {show(thickness)} mm {condition} in {_place_names(place)}: "
            f"open holds promise {promised}, the balance says {kept}"
        )


def limits() -> Iterator[str]:
    """A balance that its check constraints should have refused, or of another site than its place."""
    sql = f"""
        SELECT b.id, b.place_id, b.on_hand, b.held FROM inventory_balance b
        LEFT JOIN inventory_place p ON p.id = b.place_id
        WHERE b.held < 0 OR (b.held <> 0 AND b.held > b.on_hand) OR p.id IS NULL OR b.site_id <> p.site_id
           OR (b.on_hand < 0 AND p.kind NOT IN {_OUTSIDE})
           OR (p.kind IN {_OUTSIDE}) <> (b.outside = {_true()})
    """
    for _pk, place, on_hand, held in _rows(sql):
        yield f"limits: {_place_names(place)} has {on_hand} on hand and {held} held, which cannot be"


def conservation() -> Iterator[str]:
    """A sealed movement whose lines do not sum to zero per family, or a site whose books do not."""
    sql = """
        SELECT l.movement_id, SUM(l.quantity) FROM inventory_movementline l
        JOIN inventory_movementseal s ON s.movement_id = l.movement_id
        GROUP BY l.movement_id, l.family_id HAVING SUM(l.quantity) <> 0
    """
    for movement, total in _rows(sql):
        yield f"conservation: the lines of movement {movement} sum to {total} instead of zero"
    for _family, total in _rows(
        "SELECT family_id, SUM(on_hand) FROM inventory_balance GROUP BY family_id HAVING SUM(on_hand) <> 0"
    ):
        yield f"conservation: over all places a shim family sums to {total} instead of zero"


def completeness() -> Iterator[str]:
    """Movements without a seal or with lines missing, and lines and seals without a movement."""
    for (movement,) in _rows(
        "SELECT m.seq FROM inventory_movement m LEFT JOIN inventory_movementseal s ON s.movement_id = m.seq "
        "WHERE s.movement_id IS NULL"
    ):
        yield f"completeness: movement {movement} has no seal and does not count"
    for movement, expected, present in _rows(
        "SELECT s.movement_id, s.line_count, COUNT(l.id) FROM inventory_movementseal s "
        "LEFT JOIN inventory_movementline l ON l.movement_id = s.movement_id "
        "GROUP BY s.movement_id, s.line_count HAVING COUNT(l.id) <> s.line_count"
    ):
        yield f"completeness: movement {movement} was sealed with {expected} lines and has {present}"
    for table in ("inventory_movementline", "inventory_movementseal"):
        for (movement,) in _rows(
            f"SELECT DISTINCT x.movement_id FROM {table} x "
            "LEFT JOIN inventory_movement m ON m.seq = x.movement_id WHERE m.seq IS NULL"
        ):
            yield f"completeness: {table} names movement {movement}, which is gone"


def reversals() -> Iterator[str]:
    """A movement reversed twice, or a reversal that is not the mirror image of what it names."""
    for movement, times in _rows(
        "SELECT reverses_id, COUNT(*) FROM inventory_movement WHERE reverses_id IS NOT NULL "
        "GROUP BY reverses_id HAVING COUNT(*) > 1"
    ):
        yield f"reversal: movement {movement} is reversed {times} times"
    sql = """
        SELECT m.seq, m.reverses_id FROM inventory_movement m
        JOIN inventory_movementline l ON l.movement_id IN (m.seq, m.reverses_id)
        WHERE m.reverses_id IS NOT NULL
        GROUP BY m.seq, m.reverses_id, l.place_id, l.family_id, l.thickness_nm, l.condition
        HAVING SUM(l.quantity) <> 0
    """
    for movement, reverses in _rows(sql):
        yield f"reversal: movement {movement} does not undo movement {reverses}, which it names"


def chains() -> Iterator[str]:
    """The first movement of each site at which the chain no longer holds, and a head that is not its end."""
    broken: set[str] = set()
    ends: dict[str, tuple[int, str]] = {}
    for link in sealed_in_order():
        if link.site in broken:
            continue
        position, previous = ends.get(link.site, (0, "0" * 64))
        name = f"movement {link.movement} (link {link.position})"
        if link.position != position + 1 or link.previous_hash != previous:
            broken.add(link.site)
            yield f"chain: {name} does not follow link {position}: movements before it are gone or changed"
        elif link.fields is None or link.hash != digest(previous, link.fields):
            broken.add(link.site)
            yield f"chain: {name} was changed after it was sealed"
        ends[link.site] = (link.position, link.hash)
    for head in ChainHead.objects.select_related("site"):
        site = str(head.site_id)
        if site not in broken and ends.get(site, (0, "0" * 64)) != (head.position, head.hash):
            yield f"chain: the head of {head.site} is not the last seal: movements at the end are gone"


def guards() -> Iterator[str]:
    """A trigger that should guard the books and is not there."""
    for name in triggers.missing(connection):
        yield f"guard: the trigger {name} is missing"


def _true() -> str:
    return "1" if connection.vendor == "sqlite" else "TRUE"


CHECKS: tuple[Check, ...] = (
    guards,
    completeness,
    conservation,
    balances,
    promises,
    limits,
    reversals,
    chains,
    transits,
    posted_counts,
    retired_bins,
)
