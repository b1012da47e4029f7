"""L14: twelve ways to spoil the books by force, each found by the audit and named; L15: edits of the chain.

The triggers and constraints that would refuse are taken away first, as only the tables' owner can. All of it
happens in a transaction that is rolled back.
"""

from contextlib import contextmanager
from datetime import timedelta, timezone
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import connection, transaction

from inventory import triggers
from inventory.models import Balance, ChainHead, Hold, Movement, MovementLine
from inventory.selectors.audit import audit
from inventory.services.catalogue import add_tray
from inventory.services.floor import receive_shims, reverse_movement
from inventory.services.holds import Wanted, hand_out_hold, hold_shims
from inventory.services.ledger import chain_hash
from shop.db import read_snapshot
from shop.ids import new_id
from tests.inventory.books import in_bin

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.owner]

GONE = "00000000-0000-7000-8000-000000000000"


def raw(sql, *params):
    with connection.cursor() as cursor:
        cursor.execute(sql, params)


def db(value):
    """A UUID as a raw statement wants it."""
    return value.hex if connection.vendor == "sqlite" else value


@contextmanager
def spoiled():
    """The books without their guards, until the block ends."""
    with transaction.atomic():
        _take_guards_away()
        yield
        transaction.set_rollback(True)


def _take_guards_away():
    triggers.remove(connection)
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT conrelid::regclass::text, conname FROM pg_constraint WHERE contype IN ('c', 'u', 'f')"
                " AND conrelid::regclass::text LIKE 'inventory_%'"
            )
            for table, name in cursor.fetchall():
                cursor.execute(f'ALTER TABLE {table} DROP CONSTRAINT IF EXISTS "{name}" CASCADE')
        return
    raw("PRAGMA ignore_check_constraints = ON")
    # Unique columns of SQLite cannot be given up: the table is copied without its rules.
    for table in ("inventory_movement",):
        raw(f"ALTER TABLE {table} RENAME TO {table}_ruled")
        raw(f"CREATE TABLE {table} AS SELECT * FROM {table}_ruled")


@pytest.fixture(autouse=True)
def checks_again(db):
    yield
    if connection.vendor == "sqlite":
        raw("PRAGMA ignore_check_constraints = OFF")


@pytest.fixture
def books(receive, bins, site, tech, boss, at):
    """Four movements, the third reversed by the fourth, and an open hold."""
    movements = [receive(0, 5), receive(1, 3), receive(2, 2)]
    movements.append(reverse_movement(movement=movements[2], actor=boss, at=at, note="twice"))
    line = Wanted(
        place=bins[0], family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new", quantity=2
    )
    hold_shims(site=site, actor=tech, at=at, lines=[line], reference="Job 4")
    assert audit() == []
    return movements


def found():
    """What the audit names besides the guards that the test took away."""
    return [line for line in audit() if not line.startswith("guard: ")]


def line_of(movement, place):
    return MovementLine.objects.get(movement=movement, place=place)


def test_1_a_balance_off_by_one(books, bins):
    with spoiled():
        Balance.objects.filter(place=bins[1], on_hand=3).update(on_hand=4)
        assert "balance: 2.650 mm new in A2 at north: the movements say 3, the balance says 4" in found()
        assert "conservation: over all places a shim family sums to 1 instead of zero" in found()


def test_2_a_line_removed(books, bins):
    with spoiled():
        raw("DELETE FROM inventory_movementline WHERE id = %s", line_of(books[1], bins[1]).pk)
        assert f"completeness: movement {books[1].seq} was sealed with 2 lines and has 1" in found()
        assert f"conservation: the lines of movement {books[1].seq} sum to -3 instead of zero" in found()


def test_3_a_movement_without_lines(books):
    with spoiled():
        raw("DELETE FROM inventory_movementline WHERE movement_id = %s", books[1].seq)
        assert f"completeness: movement {books[1].seq} was sealed with 2 lines and has 0" in found()


def test_4_a_hold_without_its_balance(books, bins):
    with spoiled():
        raw("DELETE FROM inventory_balance WHERE place_id = %s", db(bins[0].pk))
        assert "held: 2.625 mm new in A1 at north: open holds promise 2, the balance says 0" in found()
        assert "balance: 2.625 mm new in A1 at north: the movements say 5, the balance says 0" in found()


def test_5_a_balance_below_zero(books, bins):
    with spoiled():
        raw("UPDATE inventory_balance SET on_hand = -1, held = -2 WHERE place_id = %s", db(bins[1].pk))
        assert "limits: A2 at north has -1 on hand and -2 held, which cannot be" in found()


def test_6_an_orphan(books, bins):
    with spoiled():
        raw(
            "UPDATE inventory_movementline SET movement_id = 999999 WHERE id = %s",
            line_of(books[1], bins[1]).pk,
        )
        assert "completeness: inventory_movementline names movement 999999, which is gone" in found()


def test_7_a_swapped_place(books, bins):
    with spoiled():
        MovementLine.objects.filter(pk=line_of(books[1], bins[1]).pk).update(place=bins[3])
        named = found()
        assert f"chain: movement {books[1].seq} (link 2) was changed after it was sealed" in named
        assert "balance: 2.650 mm new in A2 at north: the movements say 0, the balance says 3" in named
        assert "balance: 2.650 mm new in A4 at north: the movements say 3, the balance says 0" in named


@pytest.mark.parametrize(
    "edit",
    [
        pytest.param({"at": "later"}, id="8 the time"),
        pytest.param({"actor": "Somebody Else"}, id="9 who"),
        {"reason": "scrap"},
        {"note": "rewritten"},
        {"document": "delivery 8"},
        {"request_id": "other"},
        {"job_id": GONE},
        {"uid": GONE},
        {"user_id": None},
        {"reverses_id": 1},
    ],
)
def test_an_edited_movement(edit, books):
    """The first bad movement of the chain is named, and only that one."""
    with spoiled():
        if "at" in edit:
            edit = {"at": books[1].at + timedelta(seconds=1)}
        Movement.objects.filter(seq=books[1].seq).update(**edit)
        chain = [line for line in found() if line.startswith("chain: ")]
        assert chain == [f"chain: movement {books[1].seq} (link 2) was changed after it was sealed"]


@pytest.mark.parametrize("edit", [{"thickness_nm": 2_650_001}, {"condition": "used"}, {"position": 7}])
def test_an_edited_line(edit, books, bins):
    with spoiled():
        MovementLine.objects.filter(pk=line_of(books[1], bins[1]).pk).update(**edit)
        assert f"chain: movement {books[1].seq} (link 2) was changed after it was sealed" in found()


def test_quantities_edited_so_that_everything_still_sums(books, bins):
    """Lines and balances changed together: only the chain can tell."""
    with spoiled():
        for place, quantity in ((bins[1], 4), (books[1].lines.exclude(place=bins[1]).get().place, -4)):
            MovementLine.objects.filter(movement=books[1], place=place).update(quantity=quantity)
            Balance.objects.filter(place=place, thickness_nm=bins[1].size_nm).update(on_hand=quantity)
        assert found() == [f"chain: movement {books[1].seq} (link 2) was changed after it was sealed"]


def test_10_a_deleted_movement(books):
    seq = books[1].seq
    with spoiled():
        raw("DELETE FROM inventory_movement WHERE seq = %s", seq)
        named = found()
        assert f"completeness: inventory_movementline names movement {seq}, which is gone" in named
        assert f"completeness: inventory_movementseal names movement {seq}, which is gone" in named


def test_a_movement_deleted_without_a_trace(books):
    """With its lines, its seal and its balances: the chain misses a link."""
    seq = books[1].seq
    with spoiled():
        for line in books[1].lines.all():
            raw("DELETE FROM inventory_balance WHERE place_id = %s AND thickness_nm = %s",
                db(line.place_id), line.thickness_nm)  # fmt: skip
        raw("DELETE FROM inventory_movementline WHERE movement_id = %s", seq)
        raw("DELETE FROM inventory_movementseal WHERE movement_id = %s", seq)
        raw("DELETE FROM inventory_movement WHERE seq = %s", seq)
        assert found() == [
            f"chain: movement {books[2].seq} (link 3) does not follow link 1: "
            "movements before it are gone or changed"
        ]


def test_the_last_movements_deleted_without_a_trace(books):
    with spoiled():
        for movement in books[2:]:
            raw("DELETE FROM inventory_movementline WHERE movement_id = %s", movement.seq)
            raw("DELETE FROM inventory_movementseal WHERE movement_id = %s", movement.seq)
        for movement in reversed(books[2:]):
            raw("DELETE FROM inventory_movement WHERE seq = %s", movement.seq)
        assert found() == [
            "chain: the head of North Yard is not the last seal: movements at the end are gone"
        ]


def test_11_a_movement_reversed_twice(books):
    with spoiled():
        Movement.objects.filter(seq=books[1].seq).update(reverses=books[2])
        named = found()
        assert f"reversal: movement {books[2].seq} is reversed 2 times" in named
        assert (
            f"reversal: movement {books[1].seq} does not undo movement {books[2].seq}, which it names"
            in named
        )


@pytest.mark.broken_books
def test_12_each_missing_trigger(books):
    for name in triggers.TRIGGERS[connection.vendor]:
        on = "" if connection.vendor == "sqlite" else f" ON {triggers._table_of(name)}"
        with transaction.atomic():
            raw(f"DROP TRIGGER {name}{on}")
            assert audit() == [f"guard: the trigger {name} is missing"]
            transaction.set_rollback(True)
    assert audit() == []


@pytest.mark.postgresql
def test_a_trigger_that_is_switched_off_counts_as_missing(books):
    with transaction.atomic():
        raw("ALTER TABLE inventory_movement DISABLE TRIGGER inventory_movement_no_change")
        assert audit() == ["guard: the trigger inventory_movement_no_change is missing"]
        transaction.set_rollback(True)


def test_a_promise_that_no_hold_made(books, bins):
    with transaction.atomic():
        Balance.objects.filter(place=bins[0]).update(held=3)
        assert audit() == ["held: 2.625 mm new in A1 at north: open holds promise 2, the balance says 3"]
        transaction.set_rollback(True)


def test_a_hold_that_was_opened_again(books):
    with spoiled():
        Hold.objects.update(state="released", resolved_at=books[0].at)
        assert found() == ["held: 2.625 mm new in A1 at north: open holds promise 0, the balance says 2"]


def test_a_balance_that_was_declared_an_outside_one(books, bins):
    with spoiled():
        Balance.objects.filter(place=bins[1]).update(outside=True)
        assert "limits: A2 at north has 3 on hand and 0 held, which cannot be" in found()


def test_a_head_that_was_moved(books):
    with spoiled():
        ChainHead.objects.update(hash="f" * 64)
        assert found() == [
            "chain: the head of North Yard is not the last seal: movements at the end are gone"
        ]


def test_very_many_differences_are_counted_and_not_all_printed(books, bins, site, family):
    with spoiled():
        Balance.objects.bulk_create(
            Balance(
                site=site,
                place=bins[3],
                family=family,
                thickness_nm=2_800_000 + n,
                condition="used",
                on_hand=1,
            )
            for n in range(150)
        )
        named = [line for line in found() if line.startswith(("balance: ", "… "))]
        assert len(named) == 101
        assert named[-1] == "… and 50 more like the last"


# --- the command


def run_audit():
    out, err = StringIO(), StringIO()
    try:
        call_command("audit", stdout=out, stderr=err)
    except SystemExit as ended:
        return ended.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def test_clean_books_exit_zero(books):
    code, out, _ = run_audit()
    assert (code, out.startswith("The books are clean: 4 movements, ")) == (0, True)


def test_differences_exit_one_and_are_named(books, bins):
    with transaction.atomic():
        Balance.objects.filter(place=bins[0]).update(held=1)
        code, out, _ = run_audit()
        transaction.set_rollback(True)
    assert (code, out.splitlines()[-1]) == (1, "1 differences found.")
    assert "held: 2.625 mm new in A1 at north" in out


def test_books_that_cannot_be_read_exit_two(books):
    with transaction.atomic():
        raw("ALTER TABLE inventory_movementseal RENAME TO somewhere_else")
        code, _, err = run_audit()
        transaction.set_rollback(True)
    assert (code, err.startswith("The audit could not run: ")) == (2, True)


def test_the_audit_writes_nothing(books):
    """It runs in a read-only snapshot: nothing that it does can change what it looks at."""
    with pytest.raises(Exception, match=r"read-only|readonly"), read_snapshot():
        Balance.objects.update(held=0)


def test_the_chain_holds_over_whatever_can_be_written(receive, bins, site, clerk, boss, at, manager):
    """The audit reads texts where the ledger hashed values: every field with something odd in it."""
    odd = 'ß "quoted", back\\slash, 1 × 2.650, \t tab, \u2028 and 🔧'
    for moment in (at, at.replace(microsecond=1), at.replace(microsecond=120_000), at.replace(year=1999)):
        receive_shims(site=site, actor=clerk, at=moment, shims=[in_bin(bins[0])], document=odd[:80], note=odd)
    line = Wanted(
        place=bins[0], family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new", quantity=1
    )
    hold = hold_shims(site=site, actor=clerk, at=at, lines=[line], reference=odd[:80], job_id=new_id())
    hand_out_hold(hold=hold, tray=add_tray(site=site, actor=boss, code="T1"), actor=boss, at=at)
    local = at.astimezone(timezone(timedelta(hours=5, minutes=45)))
    reverse_movement(movement=Movement.objects.earliest("seq"), actor=boss, at=local, note=odd)
    assert audit() == []
    with connection.cursor() as cursor:
        cursor.execute("SELECT hash FROM inventory_movementseal ORDER BY position")
        hashes = [row[0] for row in cursor.fetchall()]
    previous = "0" * 64
    for movement, kept in zip(Movement.objects.order_by("seq"), hashes, strict=True):
        previous = chain_hash(previous, movement, movement.lines.all())
        assert previous == kept
