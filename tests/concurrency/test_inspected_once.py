"""One inspection whose outcome several people take at the same moment: one shim goes, and no more."""

import pytest

from inventory.models import Condition, Inspection, Movement, Reason
from inventory.selectors.audit import audit
from inventory.services.floor import scrap_shims
from inventory.services.inspecting import inspect_shim
from inventory.services.shim_lines import Shims
from shop.db import atomic_write
from tests.concurrency.crowd import at_once, tally
from tests.inventory.lots import pull

pytestmark = pytest.mark.django_db(transaction=True)

ROUNDS, CROWD = 5, 4


def test_its_shim_is_scrapped_once(site, clerk, service, at, family, places):
    with atomic_write():
        pull(places, family, ROUNDS * CROWD, actor=service, at=at)
    one = Shims(family=family, thickness_nm=2_650_000, condition=Condition.UNMEASURED, quantity=1)
    by = {"site": site, "actor": clerk, "at": at}
    looks = [
        inspect_shim(**by, found=one, readings=[], face="pitted", marking_legible=False)
        for _ in range(ROUNDS)
    ]

    def scrap(index, number):
        return scrap_shims(
            **by, source=places["inspection"], shims=[one], note="pitted", inspected=looks[number]
        )

    def check(number, outcomes):
        assert tally(outcomes) == {"": 1, "already-taken": CROWD - 1}
        (taken,) = [outcome.result for outcome in outcomes if outcome.result is not None]
        assert Inspection.objects.get(pk=looks[number].pk).taken == taken

    at_once(CROWD, ROUNDS, scrap, check)
    assert Movement.objects.filter(reason=Reason.SCRAP).count() == ROUNDS
    assert audit() == []


def test_those_who_name_none_each_take_another(site, clerk, service, at, family, places):
    with atomic_write():
        pull(places, family, ROUNDS * CROWD, actor=service, at=at)
    one = Shims(family=family, thickness_nm=2_650_000, condition=Condition.UNMEASURED, quantity=1)
    by = {"site": site, "actor": clerk, "at": at}
    for _ in range(ROUNDS * CROWD):
        inspect_shim(**by, found=one, readings=[], face="pitted", marking_legible=False)

    def scrap(index, number):
        return scrap_shims(**by, source=places["inspection"], shims=[one], note="pitted")

    def check(number, outcomes):
        assert tally(outcomes) == {"": CROWD}
        ended = Inspection.objects.exclude(taken=None)
        assert ended.count() == (number + 1) * CROWD
        for outcome in outcomes:
            assert ended.filter(taken=outcome.result).count() == 1

    at_once(CROWD, ROUNDS, scrap, check)
    assert audit() == []
