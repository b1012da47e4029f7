"""The small shop of the inventory tests, committed so that threads and processes see it."""

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
