"""Runs requests that die at a chosen point: python -m tests.faults.request_crasher

Loads the service once and forks a child for each line of its input: {"text": API key, "method", "path",
"data", "content_type", "key", "tag", "at": place}. The child sends the request through the service's whole
stack, middleware first, and kills itself with SIGKILL before the statement or commit with that number,
counted from 1, or before the first "commit", or where it would "keep" its answer under the key. Answers each
line with {"killed": whether it died so, "steps": what it had done before that, one letter each: "s" a
statement, "c" a commit, "status": of the answer, "" where it died}.
"""

import gc
import json
import os
import signal
import sys
from typing import Any

import django
from django.test import Client

KEEPS = 'INSERT INTO "api_keptanswer"'


def run(order: dict[str, Any], told: int) -> None:
    """The child's life."""
    from django.db import connection  # noqa: PLC0415 - the parent must have no connection to hand down

    steps = ""

    def step(kind: str) -> None:
        nonlocal steps
        if order["at"] in (len(steps) + 1, kind):
            os.write(told, steps.encode())
            os.kill(os.getpid(), signal.SIGKILL)
        steps += "c" if kind == "commit" else "s"

    def count(execute: Any, sql: str, params: Any, many: bool, context: dict) -> Any:
        step("keep" if sql.startswith(KEEPS) else "statement")
        return execute(sql, params, many, context)

    commit = connection._commit

    def counted_commit() -> None:
        step("commit")
        commit()

    connection._commit = counted_commit
    headers = {"Authorization": f"Bearer {order['text']}", "Idempotency-Key": order["key"]}
    if order["tag"] is not None:
        headers["If-Match"] = order["tag"]
    with connection.execute_wrapper(count):
        response = Client(SERVER_NAME="127.0.0.1").generic(
            order["method"],
            order["path"],
            data=order["data"],
            content_type=order["content_type"],
            headers=headers,
        )
    os.write(told, f"{steps} {response.status_code}".encode())


def main() -> None:
    django.setup()
    # The first request loads the addresses and what they name; every child then has them.
    from django.urls import get_resolver  # noqa: PLC0415 - needs the settings

    assert get_resolver().url_patterns
    # A child that collected would copy every page of what it inherited.
    gc.collect()
    gc.freeze()
    print(json.dumps("ready"), flush=True)
    for line in sys.stdin:
        heard, told = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(heard)
            try:
                run(json.loads(line), told)
            finally:
                os._exit(1 if sys.exc_info()[0] else 0)
        os.close(told)
        _, status = os.waitpid(child, 0)
        with os.fdopen(heard) as pipe:
            steps, _, status_code = pipe.read().partition(" ")
        killed = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
        print(json.dumps({"killed": killed, "steps": steps, "status": status_code}), flush=True)


if __name__ == "__main__":
    main()
