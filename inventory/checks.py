"""Numbered checks of the settings that the inventory reads: lengths, money, the rotation of counts."""

from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from typing import Any

from django.conf import settings
from django.core import checks

from inventory.compute.counting import Rotation
from inventory.compute.lengths import LengthError, parse_text
from inventory.compute.money import MINOR_DIGITS


@checks.register()
def check_stock_settings(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    return list(_errors(settings.COLDGAP))


def _error(number: int, what: str, hint: str) -> checks.Error:
    return checks.Error(what, hint=hint, id=f"inventory.E{number:03}")


def _errors(values: dict[str, Any]) -> Iterator[checks.Error]:
    try:
        spread_nm = parse_text(str(values["READINGS_SPREAD"])).nm
    except LengthError as error:
        yield _error(1, f"COLDGAP_READINGS_SPREAD is no length: {error.message}", "Write it as 0.004 mm.")
    else:
        if spread_nm <= 0:
            yield _error(1, "COLDGAP_READINGS_SPREAD is not above zero.", "Write it as 0.004 mm.")
    approval = _money(values["COUNT_APPROVAL_VALUE"])
    if approval is None or approval < 0:
        yield _error(
            2,
            f"COLDGAP_COUNT_APPROVAL_VALUE is {values['COUNT_APPROVAL_VALUE']!r}.",
            "Set it to an amount of 0 or more, such as 25.",
        )
    share = _money(values["USED_VALUE_SHARE"])
    # What a difference is worth is kept exactly: a price has four decimals, and the column six.
    if share is None or not 0 <= share <= 1 or share != round(share, 2):
        yield _error(
            3,
            f"COLDGAP_USED_VALUE_SHARE is {values['USED_VALUE_SHARE']!r}.",
            "Set it to a share from 0 to 1 with at most two decimals, such as 0.5.",
        )
    if str(values["CURRENCY"]) not in MINOR_DIGITS:
        yield _error(4, f"COLDGAP_CURRENCY is {values['CURRENCY']!r}.", "Set it to a code of ISO 4217: EUR.")
    try:
        troubled, fast, middle, slow = values["COUNT_DAYS"]
        Rotation(troubled_days=troubled, fast_days=fast, middle_days=middle, slow_days=slow)
    except ValueError as error:
        yield _error(
            5,
            f"COLDGAP_COUNT_DAYS makes no rotation: {error}.",
            "Name days for troubled, fast, middle and slow bins, none below the one before: 14,30,90,180.",
        )
    for number, name in ((6, "COUNTS_PER_DAY"), (7, "STALE_DAYS"), (8, "WAITING_HOLD_DAYS")):
        if values[name] < 0:
            yield _error(number, f"COLDGAP_{name} is {values[name]}.", "Set it to 0 or more.")
    for number, name in ((9, "OTHER_SIZE_COST"), (10, "PURCHASE_LIMIT")):
        amount = _money(values[name])
        if amount is None or amount < 0:
            yield _error(number, f"COLDGAP_{name} is {values[name]!r}.", "Set it to an amount of 0 or more.")
    service = _money(values["SERVICE_LEVEL"])
    if service is None or not Decimal("0.5") <= service <= Decimal("0.999"):
        yield _error(
            11,
            f"COLDGAP_SERVICE_LEVEL is {values['SERVICE_LEVEL']!r}.",
            "Set it to a share from 0.5 to 0.999, such as 0.95.",
        )
    for number, name, most in ((12, "MIX_MONTHS", 120), (13, "REVIEW_DAYS", 250)):
        if not 1 <= values[name] <= most:
            yield _error(number, f"COLDGAP_{name} is {values[name]}.", f"Set it to 1 to {most}.")


def _money(text: object) -> Decimal | None:
    try:
        amount = Decimal(str(text))
    except InvalidOperation:
        return None
    return amount if amount.is_finite() else None
