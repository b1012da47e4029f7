"""F10 for tables: killed at any statement of being applied, a table is wholly in the books or not at all."""

import pytest

from inventory.models import Balance, ImportRun, Movement
from inventory.selectors.audit import audit
from shop.models import Task
from tests.faults.acts import SIZES, Shop, found
from tests.faults.table_acts import TABLE_ACTS
from tests.faults.test_killed_in_an_act import crasher, crashers

pytestmark = pytest.mark.django_db(transaction=True)

__all__ = ["crasher", "crashers"]
APPLY = "apply a table"


def picture():
    """What counts: movements, and balances that hold something. A balance of zero says nothing."""
    rows = Balance.objects.exclude(on_hand=0).values_list(
        "place__code", "thickness_nm", "condition", "on_hand"
    )
    return Movement.objects.count(), sorted(rows)


def wait_out_the_lease():
    """As the sweeper does once the lease of a killed worker has ended."""
    Task.objects.filter(kind="apply_import").exclude(state=Task.State.DONE).update(
        state=Task.State.QUEUED, lease_until=None, attempts=0, lost=0
    )


def test_a_table_is_wholly_there_or_not_at_all(crasher, request):
    found()
    TABLE_ACTS[APPLY].before(Shop())
    before = picture()
    whole = {"applied": 0, "nothing": 0}
    number, every = 0, 1 if request.config.getoption("--long") else 2
    while True:
        number += every
        wait_out_the_lease()
        killed = crasher.order(APPLY, f"after {number}")["killed"]
        now = picture()
        assert audit() == [], number
        if now == before:
            whole["nothing"] += 1
            assert ImportRun.objects.get().state == ImportRun.State.APPLYING
        else:
            whole["applied"] += 1
            assert ImportRun.objects.get().state == ImportRun.State.APPLIED, number
            counted = {row[:3]: row[3] for row in now[1]}
            assert all(counted[f"A{n}", size, "new"] == n + 10 for n in (1, 2, 3) for size in SIZES[:2]), now
        if not killed or now != before:
            break
    assert whole["nothing"] > 10
    wait_out_the_lease()
    TABLE_ACTS[APPLY].run(Shop())
    assert ImportRun.objects.get().state == ImportRun.State.APPLIED
    assert audit() == []
