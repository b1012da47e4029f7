"""F9 for transfers, counts, bins, inspections and take-overs: wholly there or not at all.

By default before every fifth statement and around the commit; before and after each with --long.
"""

import inspect

import pytest
from django.db import transaction

from inventory.models import (
    BinCount,
    FamilyValue,
    HoldTakeOver,
    Inspection,
    Place,
    PlaceEvent,
    SupplierReturn,
    TalliedLot,
    Tally,
    Transfer,
    TransferLine,
    TransferMovement,
)
from inventory.selectors.audit import audit
from tests.faults.acts import Shop, found
from tests.faults.floor_acts import FLOOR_ACTS, MODULES
from tests.faults.test_killed_in_an_act import crasher, crashers, deaths, settled

pytestmark = pytest.mark.django_db(transaction=True)

__all__ = ["crasher", "crashers"]


PAPERS = {
    Place: ("code", "cabinet", "row", "column", "size_nm", "retired_at", "version"),
    PlaceEvent: ("place__code", "act", "text"),
    BinCount: ("number", "state", "version", "gross_value"),
    Tally: ("by", "started_link", "keyed_link", "confirmed"),
    TalliedLot: ("thickness_nm", "counted", "difference"),
    Transfer: ("number", "state", "version"),
    TransferLine: ("position", "quantity", "arrived", "came_back", "written_off"),
    TransferMovement: ("transfer__number",),
    SupplierReturn: ("number", "reason"),
    Inspection: ("thickness_keyed", "fate", "spread_nm"),
    HoldTakeOver: ("hold__state", "taken__reference"),
    FamilyValue: ("unit_value", "currency"),
}


def papers():
    """What these acts write beside the books, without ids: those differ from one run to the next."""
    return {
        model.__name__: sorted(model.objects.values_list(*fields), key=str)
        for model, fields in PAPERS.items()
    }


def everything():
    return settled() | papers()


@pytest.mark.parametrize("name", sorted(FLOOR_ACTS))
def test_wholly_there_or_not_at_all(name, crasher, request):
    found()
    FLOOR_ACTS[name].before(Shop())
    before = everything()
    with transaction.atomic():
        FLOOR_ACTS[name].run(Shop())
        after = everything()
        transaction.set_rollback(True)
    assert before != after
    statements = crasher.kill(name, "before commit")
    assert everything() == before
    for point in deaths(name, statements, every=request.config.getoption("--long")):
        crasher.kill(name, point)
        assert everything() == before, point
    assert audit() == []
    crasher.kill(name, "after commit")
    assert everything() == after
    assert audit() == []


def test_no_write_use_case_is_missing():
    """Every function of these files that opens a transaction has its act above."""
    services = {
        name
        for module in MODULES
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if hasattr(function, "__wrapped__")
        and function.__module__ == module.__name__
        and not name.startswith("_")
    }
    assert services == set(FLOOR_ACTS)
