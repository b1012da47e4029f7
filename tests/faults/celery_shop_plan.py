"""The service's Celery, whose processes stand still before each part of a shop plan until a file is there:
COLDGAP_TEST_UNTIL.

celery -A tests.faults.celery_shop_plan worker
"""

import os
import time
from pathlib import Path

from django.db.backends.signals import connection_created

from shop.celery import app

__all__ = ["app"]

BEFORE_A_PART = 'WHERE "jobs_shopplanpart"."id" = '


def stand_still(execute, sql, params, many, context):
    """After the part's task was claimed and before it is worked on; not inside a transaction."""
    until = Path(os.environ["COLDGAP_TEST_UNTIL"])
    while sql.startswith("SELECT") and BEFORE_A_PART in sql and not until.exists():
        time.sleep(0.02)
    return execute(sql, params, many, context)


def slow(connection, **_):
    connection.execute_wrappers.append(stand_still)


connection_created.connect(slow)
