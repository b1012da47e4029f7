"""Numbered checks: an unsafe setting stops the start with a hint, on every way in."""

from django.core import checks
from django.core.management.base import SystemCheckError


def refuse_unsafe_start() -> None:
    """Raise SystemCheckError when a check of ours or Django's finds an error; gunicorn runs none itself."""
    errors = [message for message in checks.run_checks() if message.level >= checks.ERROR]
    if errors:
        lines = "\n".join(str(message) for message in errors)
        raise SystemCheckError(f"Coldgap does not start:\n{lines}")
