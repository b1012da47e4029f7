"""A slip in a setting of the stock's stops the start with a number and a hint."""

import pytest
from django.core.checks.registry import registry

from inventory.checks import check_stock_settings


def found(settings, **values):
    settings.COLDGAP = settings.COLDGAP | values
    return [(message.id, bool(message.hint)) for message in check_stock_settings()]


def test_the_defaults_are_right(settings):
    assert found(settings) == []


@pytest.mark.parametrize(
    ("values", "number"),
    [
        ({"READINGS_SPREAD": "0.004"}, 1),
        ({"READINGS_SPREAD": "0 mm"}, 1),
        ({"COUNT_APPROVAL_VALUE": "a lot"}, 2),
        ({"COUNT_APPROVAL_VALUE": "-1"}, 2),
        ({"COUNT_APPROVAL_VALUE": "NaN"}, 2),
        ({"USED_VALUE_SHARE": "50"}, 3),
        ({"USED_VALUE_SHARE": "0.333"}, 3),
        ({"CURRENCY": "euro"}, 4),
        ({"CURRENCY": "E1R"}, 4),
        ({"CURRENCY": "EUX"}, 4),
        ({"OTHER_SIZE_COST": "little"}, 9),
        ({"PURCHASE_LIMIT": "-1"}, 10),
        ({"COUNT_DAYS": [14, 30, 90]}, 5),
        ({"COUNT_DAYS": [30, 14, 90, 180]}, 5),
        ({"COUNTS_PER_DAY": -1}, 6),
        ({"STALE_DAYS": -1}, 7),
        ({"WAITING_HOLD_DAYS": -1}, 8),
        ({"SERVICE_LEVEL": "1"}, 11),
        ({"SERVICE_LEVEL": "95"}, 11),
        ({"SERVICE_LEVEL": "high"}, 11),
        ({"MIX_MONTHS": 0}, 12),
        ({"REVIEW_DAYS": 0}, 13),
    ],
)
def test_a_slip_is_named(values, number, settings):
    assert found(settings, **values) == [(f"inventory.E{number:03}", True)]


def test_the_start_asks():
    assert check_stock_settings in registry.get_checks()
