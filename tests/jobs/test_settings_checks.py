"""A slip in what time costs stops the start with a number and a hint."""

import pytest

from jobs.checks import RATES, check_job_settings


def found(settings, **values):
    settings.COLDGAP = settings.COLDGAP | values
    return [(message.id, bool(message.hint)) for message in check_job_settings()]


def test_the_defaults_are_right(settings):
    assert found(settings) == []


@pytest.mark.parametrize(("number", "name", "_example"), RATES)
@pytest.mark.parametrize("value", ["-1", "much", "NaN", "Infinity", ""])
def test_a_slip_is_named(number, name, _example, value, settings):
    assert found(settings, **{name: value}) == [(f"jobs.E{number:03}", True)]


@pytest.mark.parametrize("cases", [0, -1, 1_001])
def test_a_check_plans_at_least_one_case_and_not_for_minutes(cases, settings):
    assert found(settings, CHECK_CASES=cases) == [("jobs.E005", True)]
