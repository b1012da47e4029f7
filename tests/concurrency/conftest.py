"""The small shop of the inventory tests, committed so that threads and processes see it."""

import pytest

from tests.inventory.conftest import (
    at,
    bins,
    boss,
    clerk,
    family,
    places,
    receive,
    service,
    stranger,
    tech,
    tray,
)

__all__ = [
    "at",
    "bins",
    "boss",
    "clerk",
    "family",
    "places",
    "receive",
    "service",
    "stranger",
    "tech",
    "tray",
]


@pytest.fixture
def size(request):
    """`size(small, full)`: the full figure under --long, the small one otherwise."""

    def choose(small, full):
        return full if request.config.getoption("--long") else small

    return choose
