"""The embedded loop, which stands still at a shop plan's parts until a file is there: COLDGAP_TEST_UNTIL.

python -m tests.faults.shop_plan_worker
"""

import os
import time
from pathlib import Path

import django
from django.core.management import call_command
from django.db import connection
from django.db.backends.signals import connection_created


def stand_still(execute, sql, params, many, context):
    """Before the parts are looked at; not inside a transaction, where others would wait too."""
    until = Path(os.environ["COLDGAP_TEST_UNTIL"])
    while (
        "jobs_shopplanpart" in sql
        and sql.startswith("SELECT")
        and not connection.in_atomic_block
        and not until.exists()
    ):
        time.sleep(0.02)
    return execute(sql, params, many, context)


def slow(connection, **_):
    connection.execute_wrappers.append(stand_still)


if __name__ == "__main__":
    django.setup()
    connection_created.connect(slow)
    call_command("work_tasks")
