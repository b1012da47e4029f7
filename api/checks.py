"""Numbered checks of the settings that say how long the audit trail is kept and how much may be asked."""

from typing import Any

from django.conf import settings
from django.core import checks

from api.triggers import LEAST_KEPT_DAYS


@checks.register()
def check_trail_days(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    days = settings.COLDGAP["AUDIT_TRAIL_DAYS"]
    if days > LEAST_KEPT_DAYS:
        return []
    hint = f"Set it above {LEAST_KEPT_DAYS}: the database keeps what is younger, whoever asks."
    return [checks.Error(f"COLDGAP_AUDIT_TRAIL_DAYS is {days}.", hint=hint, id="api.E001")]


@checks.register()
def check_limits(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    """A limit below one request a minute would turn every program away."""
    names = ("REQUESTS_PER_MINUTE", "SITE_REQUESTS_PER_MINUTE", "DEMO_REQUESTS_PER_MINUTE")
    return [
        checks.Error(
            f"COLDGAP_{name} is {settings.COLDGAP[name]}.",
            hint="Set it to 1 or more: it is how many requests may be made in a minute.",
            id="api.E002",
        )
        for name in names
        if settings.COLDGAP[name] < 1
    ]
