"""The embedded loop as a process of its own, with the tests' tasks: python -m tests.faults.loop_worker"""

import django
from django.core.management import call_command

if __name__ == "__main__":
    django.setup()
    from tests.faults import handlers  # noqa: F401

    call_command("work_tasks")
