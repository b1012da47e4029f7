"""Numbered checks of the settings that the jobs read: what time costs, how much is planned at once."""

from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from typing import Any

from django.conf import settings
from django.core import checks

MOST_CASES = 1_000
RATES = (
    (1, "MINUTES_PER_OPENING", "12"),
    (2, "LABOUR_PER_HOUR", "75"),
    (3, "BAY_PER_HOUR", "20"),
    (4, "BAY_HOURS_PER_DAY", "8"),
)


@checks.register()
def check_job_settings(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    return list(_errors(settings.COLDGAP))


def _errors(values: dict[str, Any]) -> Iterator[checks.Error]:
    for number, name, example in RATES:
        try:
            rate = Decimal(str(values[name]))
        except InvalidOperation:
            rate = Decimal("NaN")
        if not rate.is_finite() or rate < 0:
            yield checks.Error(
                f"COLDGAP_{name} is {values[name]!r}.",
                hint=f"Set it to a number of 0 or more, such as {example}.",
                id=f"jobs.E{number:03}",
            )
    if not 1 <= values["CHECK_CASES"] <= MOST_CASES:
        yield checks.Error(
            f"COLDGAP_CHECK_CASES is {values['CHECK_CASES']!r}.",
            hint=f"Set it to a whole number from 1 to {MOST_CASES:,}: somebody waits for each.",
            id="jobs.E005",
        )
