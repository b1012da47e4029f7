"""The service's web application on a clock that a test steps: gunicorn's `tests.faults.stepped:application`.

The file that STEPPED_CLOCK names holds by how many seconds the clock is off.
"""

import os
from datetime import datetime, timedelta
from pathlib import Path

from django.utils import timezone

from shop.wsgi import application

__all__ = ["application"]
_file = Path(os.environ["STEPPED_CLOCK"])
_real = timezone.now


def _now() -> datetime:
    return _real() + timedelta(seconds=float(_file.read_text()))


timezone.now = _now
