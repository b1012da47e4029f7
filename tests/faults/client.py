"""A web server's part: queue tasks and say how long each took: python -m tests.faults.client COUNT [inline]

Prints one JSON object: {"ids": [...], "milliseconds": [...]}. With `inline` it does what the service must
not do, publish before it answers, and goes on when that fails.
"""

import contextlib
import json
import sys
import time

import django

if __name__ == "__main__":
    django.setup()
    from django.utils import timezone

    from shop.background.announce import publish
    from shop.background.queue import queue_task
    from tests.faults import handlers  # noqa: F401

    ids, milliseconds = [], []
    # The first one loads what the others find loaded.
    for _ in range(int(sys.argv[1]) + 1):
        began = time.perf_counter()
        task = queue_task("quick", {}, at=timezone.now())
        if "inline" in sys.argv[2:]:
            with contextlib.suppress(Exception):
                publish(task.id)
        milliseconds.append((time.perf_counter() - began) * 1000)
        ids.append(str(task.id))
    # Whoever publishes gets a moment, as a server that stays up would give it.
    time.sleep(1.5)
    print(json.dumps({"ids": ids, "milliseconds": milliseconds[1:]}))
