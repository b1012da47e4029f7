"""A numbered check of the setting that says how long the audit trail is kept."""

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
