"""The flows work in the workshop of the tests of jobs."""

import pytest

from inventory.models import Balance, PlaceKind
from inventory.selectors.audit import audit
from tests.jobs.conftest import at, boss, clerk, service, stranger, tech, workshop

__all__ = ["at", "boss", "clerk", "service", "stranger", "tech", "workshop"]


@pytest.fixture
def books():
    """What a story ends with: the audit finds nothing, nothing is promised, every tray is empty."""

    def prove() -> None:
        assert audit() == []
        assert not Balance.objects.exclude(held=0).exists()
        assert not Balance.objects.filter(place__kind=PlaceKind.TRAY).exclude(on_hand=0).exists()

    return prove
