"""F10: a delivery of 500 lines that dies after half of them, or anywhere else, leaves nothing behind."""

import pytest

from inventory.models import MovementLine
from inventory.selectors.audit import audit
from tests.faults.acts import CONTROLS, LONG_DELIVERY, Shop, found
from tests.faults.test_killed_in_an_act import crasher, crashers, settled

__all__ = ["crasher", "crashers"]
pytestmark = pytest.mark.django_db(transaction=True)
DELIVERY = "long delivery"


def test_half_of_a_delivery_is_nothing(crasher, size):
    found()
    before, lines = settled(), MovementLine.objects.count()
    statements = crasher.kill(DELIVERY, "before commit")
    assert settled() == before
    for number in {1, *range(2, statements + 1, size(max(statements // 6, 1), 1)), statements}:
        crasher.kill(DELIVERY, f"after {number}")
        assert settled() == before, number
    assert audit() == []
    # The same delivery again, as the tablet sends it that was closed half way.
    CONTROLS[DELIVERY].run(Shop())
    assert MovementLine.objects.count() == lines + 2 * LONG_DELIVERY
    assert audit() == []
    whole = settled()
    crasher.kill(DELIVERY, "after commit")
    assert MovementLine.objects.count() == lines + 4 * LONG_DELIVERY
    assert settled() != whole
    assert audit() == []
