"""Runs acts that die at a chosen statement: python -m tests.faults.crasher

Loads the service once and forks a child for each line of its input, {"act": name, "at": place}. The child
runs the act and kills itself with SIGKILL, as a power cut or the kernel would: nothing is cleaned up. Places:
"before 3" and "after 3" a statement counted from 1, "before commit", "after commit". Answers each line with
{"killed": whether it died so, "statements": how many it had sent}.
"""

import gc
import importlib
import json
import os
import signal
import sys
from typing import Any

import django


def run(name: str, place: str, told: int) -> None:
    """The child's life. Writes the number of statements so far to `told` before it dies."""
    from django.db import connection  # noqa: PLC0415 - the parent must have no connection to hand down

    acts = importlib.import_module("tests.faults.acts")
    floor_acts = importlib.import_module("tests.faults.floor_acts")
    table_acts = importlib.import_module("tests.faults.table_acts")
    when, _, which = place.partition(" ")
    sent = 0

    def die() -> None:
        os.write(told, str(sent).encode())
        os.kill(os.getpid(), signal.SIGKILL)

    def count(execute: Any, sql: str, params: Any, many: bool, context: dict) -> Any:
        nonlocal sent
        sent += 1
        if place == f"before {sent}":
            die()
        result = execute(sql, params, many, context)
        if place == f"after {sent}":
            die()
        return result

    shop = acts.Shop()
    commit = connection._commit

    def dying_commit() -> None:
        if when == "before":
            die()
        commit()
        if when == "after":
            die()

    if which == "commit":
        connection._commit = dying_commit
    with connection.execute_wrapper(count):
        (acts.ACTS | floor_acts.FLOOR_ACTS | table_acts.TABLE_ACTS | acts.CONTROLS)[name].run(shop)


def main() -> None:
    django.setup()
    importlib.import_module("tests.faults.acts")
    importlib.import_module("tests.faults.floor_acts")
    importlib.import_module("tests.faults.table_acts")
    # A child that collected would copy every page of what it inherited.
    gc.collect()
    gc.freeze()
    print(json.dumps("ready"), flush=True)
    for line in sys.stdin:
        order = json.loads(line)
        heard, told = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(heard)
            try:
                run(order["act"], order["at"], told)
            finally:
                os._exit(1 if sys.exc_info()[0] else 0)
        os.close(told)
        _, status = os.waitpid(child, 0)
        with os.fdopen(heard) as pipe:
            sent = pipe.read()
        killed = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
        print(json.dumps({"killed": killed, "statements": int(sent or 0), "status": status}), flush=True)


if __name__ == "__main__":
    main()
