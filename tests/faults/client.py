"""A web server's part: queue tasks, say how long each took: python -m tests.faults.client COUNT [published]

Prints one JSON object. `plain`, `announced` and `inline` are milliseconds: of COUNT tasks that nobody was
told of, of COUNT that were announced, in turn, and of one that was published before the answer, which the
service must not do. `ids` are all tasks, `told` those announced. With `published` it ends once the broker
has COUNT messages, and publishes none before its answer.
"""

import contextlib
import json
import sys
import time

import django
import redis
from django.conf import settings

from tests.servers.children import wait_until


def main() -> None:
    from django.utils import timezone  # noqa: PLC0415 - all of these need the settings and models

    from shop.background import announce  # noqa: PLC0415
    from shop.background.queue import queue_task  # noqa: PLC0415
    from tests.faults import handlers  # noqa: PLC0415

    assert handlers.quick
    count, ids, broker = int(sys.argv[1]), [], settings.REDIS_URL
    announce.load()

    def queue(url: str, *, inline: bool = False) -> float:
        settings.REDIS_URL = url
        began = time.perf_counter()
        task = queue_task("quick", {}, at=timezone.now())
        if inline:
            with contextlib.suppress(Exception):
                announce.publish(task.id)
        ids.append(str(task.id))
        return (time.perf_counter() - began) * 1000

    queue("")
    plain, announced, told = [], [], []
    for _ in range(count):
        plain.append(queue(""))
        announced.append(queue(broker))
        told.append(ids[-1])
    if "published" in sys.argv[2:]:
        client = redis.Redis.from_url(broker)
        wait_until(lambda: client.llen("celery") >= count, seconds=20, what="the messages at the broker")
        inline_ms = None
    else:
        inline_ms = queue("", inline=True)
    found = {"ids": ids, "told": told, "plain": plain, "announced": announced, "inline": inline_ms}
    print(json.dumps(found))


if __name__ == "__main__":
    django.setup()
    main()
