"""Several processes of the service at one word: python -m tests.concurrency.crew SIZE MODULE WORDS…

Loads the service once, forks SIZE children before any connection is open, and hands each line of its input,
a moment of the clock, to all of them. Each child calls `prepare(*WORDS)` of the module once, and what that
returned at every moment. Answers one JSON list a line.
"""

import importlib
import json
import os
import sys
import time
from collections.abc import Callable

import django


def serve(prepare: Callable[..., Callable[[], dict]], words: list[str], moments: int, answers: int) -> None:
    """One child's life: until its parent closes the pipe."""
    with os.fdopen(moments) as heard, os.fdopen(answers, "w", buffering=1) as said:
        act = prepare(*words)
        print(json.dumps("ready"), file=said)
        for line in heard:
            time.sleep(max(0.0, float(line) - time.time()))
            print(json.dumps(act()), file=said)


def main() -> None:
    size, module, *words = sys.argv[1:]
    django.setup()
    prepare = importlib.import_module(module).prepare
    children = []
    for _ in range(int(size)):
        moments, to_child = os.pipe()
        from_child, answers = os.pipe()
        if os.fork() == 0:
            os.close(to_child)
            for other, _ in children:
                os.close(other.fileno())
            serve(prepare, words, moments, answers)
            os._exit(0)
        os.close(moments)
        os.close(answers)
        children.append((os.fdopen(to_child, "w", buffering=1), os.fdopen(from_child)))
    ready = {json.loads(said.readline()) for _, said in children}
    print(json.dumps(ready.pop()), flush=True)
    for line in sys.stdin:
        for heard, _ in children:
            heard.write(line)
        print(json.dumps([json.loads(said.readline()) for _, said in children]), flush=True)


if __name__ == "__main__":
    main()
