"""Processes of the service that wait for a word and act on it at the same moment (see crew.py)."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from django.db import connection

from tests import environment
from tests.servers.children import die_with_parent
from tests.servers.programs import program_environment

TOGETHER_SECONDS = 0.01


def service_environment() -> dict[str, str]:
    """As `program_environment`, and on PostgreSQL as the role that the service has in production."""
    if connection.vendor != "postgresql":
        return program_environment()
    url = os.environ[environment.APP_URL].rsplit("/", 1)[0] + "/" + connection.settings_dict["NAME"]
    return program_environment(DATABASE_URL=url)


class Workers:
    """`size` processes that run `act` of a module, prepared with `words`; they end with the block."""

    def __init__(self, size: int, module: str, words: Sequence[object], *, folder: Path) -> None:
        self.log = folder / "workers.log"
        with self.log.open("wb") as sink:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.concurrency.crew", str(size), module, *map(str, words)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=sink,
                env=service_environment(),
                text=True,
                preexec_fn=die_with_parent(signal.SIGTERM),
            )

    def __enter__(self) -> "Workers":
        assert self._answer() == "ready"
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.process.stdin.close()
        self.process.wait(20)
        self.process.stdout.close()

    def all_at_once(self) -> list[dict[str, Any]]:
        """Everybody's answer, after all have acted at one moment of the clock."""
        self.process.stdin.write(f"{time.time() + TOGETHER_SECONDS!r}\n")
        self.process.stdin.flush()
        return self._answer()

    def _answer(self) -> Any:
        line = self.process.stdout.readline()
        assert line, f"the workers ended: {self.log.read_text()[-2000:]}"
        return json.loads(line)
