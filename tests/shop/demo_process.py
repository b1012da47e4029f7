"""The demo as a process of its own, on a data folder of its own, as `make demo` starts it."""

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx

from tests.servers.children import Child, free_port, wait_until

ROOT = Path(__file__).resolve().parents[2]
MANAGE = [sys.executable, "manage.py"]
FOREIGN = ("DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL", "DJANGO_SETTINGS_MODULE")
ENOUGH_SECONDS = 180


def environment(data_dir: Path, **more: str) -> dict[str, str]:
    """What a person's shell has: nothing of the tests' own settings."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if name not in FOREIGN and not name.startswith("COLDGAP_")
    }
    return kept | {"COLDGAP_DATA_DIR": str(data_dir)} | more


def manage(data_dir: Path, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    """A command of manage.py to its end."""
    return subprocess.run(
        [*MANAGE, *words],
        check=False,
        cwd=ROOT,
        env=environment(data_dir, **more),
        capture_output=True,
        text=True,
        timeout=ENOUGH_SECONDS,
    )


def accepts(port: int) -> bool:
    """Whether something listens there."""
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def is_running(process: int) -> bool:
    """Whether the process is there and not merely waiting to be counted out by its parent."""
    try:
        status = Path(f"/proc/{process}/stat").read_text()
    except FileNotFoundError:
        return False
    return status.rpartition(")")[2].split()[0] != "Z"


class Demo:
    """One start of the demo, answering."""

    def __init__(self, data_dir: Path, *words: str) -> None:
        self.port = free_port()
        self.data_dir = data_dir
        self.log = data_dir / f"{self.port}.log"
        began = time.monotonic()
        self.child = Child(
            [*MANAGE, "demo", "--port", str(self.port), *words],
            log=self.log,
            env=environment(data_dir),
            cwd=ROOT,
            stop_signal=signal.SIGTERM,
        )
        try:
            self.child.wait_ready(self._answers, seconds=ENOUGH_SECONDS)
        except BaseException:
            self.child.stop()
            raise
        self.seconds_to_answer = time.monotonic() - began

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def printed(self) -> str:
        return self.log.read_text()

    def line(self, beginning: str) -> str:
        """What follows the beginning of the one line that begins so."""
        (found,) = (line for line in self.printed.splitlines() if line.startswith(beginning))
        return found.removeprefix(beginning).strip()

    @property
    def key(self) -> str:
        return self.line("API key:")

    def worker(self) -> int:
        """The process that serves; the demo itself only watches over it."""
        (worker,) = Path(f"/proc/{self.child.pid}/task/{self.child.pid}/children").read_text().split()
        return int(worker)

    def ask(self, path: str, key: str | None = None) -> httpx.Response:
        headers = {"Authorization": f"Bearer {key}"} if key else {}
        return httpx.get(f"{self.address}{path}", headers=headers, timeout=10)

    def wait_gone(self, seconds: float) -> None:
        wait_until(lambda: not accepts(self.port), seconds=seconds, what="the port closed")

    def _answers(self) -> bool:
        return accepts(self.port) and httpx.get(f"{self.address}/healthz", timeout=10).status_code == 200
