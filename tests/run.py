"""The whole suite: lint, then the same tests on SQLite and on PostgreSQL, the API fuzz and the pages.

    python -m tests.run [--long | --lint] [--at-once 3]

One session more than there are cores runs at a time, or as many as `--at-once` says. What a session said is
shown when it ends; the last line sums up.
"""

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.environment import APP_URL, RUN_FOLDER, SERVER_URL
from tests.servers.children import Child
from tests.servers.postgres import APP, OWNER, PostgresServer

# Whoever waits for a server that was killed leaves its core to another.
AT_ONCE = (os.cpu_count() or 1) + 1
# Where the sessions keep their files when there is room: those that commit waited for the disk half of their
# time. What a disk holds after a power cut is told from system calls (tests/faults/disk.py), not from a disk.
MEMORY = Path("/dev/shm")
ROOM = 4 * 1024**3
CHECKS = (
    ("ruff check", ["ruff", "check", "."]),
    ("ruff format", ["ruff", "format", "--check", "."]),
    ("migrations", ["django", "makemigrations", "--check", "--dry-run"]),
)


@dataclass(frozen=True, kw_only=True)
class Session:
    """One run of pytest.

    name: for people, its database first; words: what pytest is told; env: what its environment has besides.
    """

    name: str
    words: Sequence[str]
    env: dict[str, str] = field(default_factory=dict)


FAULTS, API = "tests/faults", "tests/api"
# What is tried in sessions of its own: three of a database's sessions end closer together than one would.
APART = (FAULTS, API)
MOST = ["-m", "not browser and not fuzz"]
REST = [*MOST, *(f"--ignore={folder}" for folder in APART)]
POSTGRESQL = {"COLDGAP_TEST_DATABASE": "postgresql"}
# The longest first, so that no core is left without work while another has a long one before it.
SESSIONS = (
    Session(name="sqlite", words=REST),
    Session(name="postgresql", words=REST, env=POSTGRESQL),
    Session(name="postgresql API", words=[API, *MOST], env=POSTGRESQL),
    # It and the pages look only where their tests are (test_steps.py): to load all others took 15 s.
    Session(name="API fuzz", words=["tests/api/test_fuzz.py", "-p", "schemathesis", "-m", "fuzz"]),
    Session(name="sqlite API", words=[API, *MOST]),
    # These wait for most of their time, for what was killed.
    Session(name="postgresql faults", words=[FAULTS, *MOST], env=POSTGRESQL),
    # A process of its own: the browser's driver leaves an event loop in its thread, which shuts the
    # database there.
    Session(name="pages", words=["tests/browser", "-m", "browser"]),
    Session(name="sqlite faults", words=[FAULTS, *MOST]),
)


@dataclass
class Counts:
    passed: int = 0
    failed: int = 0
    skipped: int = 0

    def add(self, report: Path) -> None:
        """Count in what a session's JUnit report says; a session without one counts as one failure."""
        try:
            suites = list(ElementTree.parse(report).getroot().iter("testsuite"))
        except (OSError, ElementTree.ParseError):
            self.failed += 1
            return
        for suite in suites:
            total, bad, skipped = (
                sum(int(suite.get(name, "0")) for name in names)
                for names in (("tests",), ("failures", "errors"), ("skipped",))
            )
            self.passed += total - bad - skipped
            self.failed += bad
            self.skipped += skipped


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--long", action="store_true", help="the full figures too")
    parser.add_argument("--lint", action="store_true", help="only lint and migrations")
    parser.add_argument("--at-once", type=int, default=AT_ONCE, help="how many sessions run side by side")
    options = parser.parse_args()
    place = None if options.long else in_memory()
    with tempfile.TemporaryDirectory(prefix="coldgap-run-", dir=place) as folder:
        # The servers' own user passes through it.
        Path(folder).chmod(0o711)
        clean = lint(Path(folder))
        good = options.lint or run_sessions(
            Path(folder), ["--long"] if options.long else [], at_once=options.at_once
        )
        return 0 if clean and good else 1


def in_memory() -> Path | None:
    """A folder whose files are in memory; None where there is none, or too little room."""
    usable = MEMORY.is_dir() and os.access(MEMORY, os.W_OK | os.X_OK)
    return MEMORY if usable and shutil.disk_usage(MEMORY).free >= ROOM else None


def lint(folder: Path) -> bool:
    env = environment(folder) | {"COLDGAP_DATA_DIR": str(folder), "DJANGO_SETTINGS_MODULE": "shop.settings"}
    clean = True
    for name, words in CHECKS:
        done = subprocess.run(
            [sys.executable, "-m", *words], env=env, capture_output=True, text=True, check=False
        )
        print(f"{name}: {'ok' if done.returncode == 0 else 'FAILED'}", flush=True)
        if done.returncode != 0:
            print(done.stdout + done.stderr, flush=True)
            clean = False
    return clean


def run_sessions(folder: Path, words: Sequence[str], *, at_once: int) -> bool:
    server = PostgresServer()
    try:
        server.start()
        env = environment(folder) | {SERVER_URL: server.url(OWNER), APP_URL: server.url(APP)}
        return run_all(folder, words, env, at_once=at_once)
    finally:
        server.remove()


def run_all(folder: Path, words: Sequence[str], env: Mapping[str, str], *, at_once: int) -> bool:
    counts, good = Counts(), True
    waiting, running = list(SESSIONS), []
    while waiting or running:
        while waiting and len(running) < at_once:
            session = waiting.pop(0)
            print(f"{session.name}: started", flush=True)
            running.append((session, start(session, folder, words, env), time.monotonic()))
        time.sleep(0.2)
        for entry in [entry for entry in running if not entry[1].running]:
            running.remove(entry)
            session, child, began = entry
            status = child.process.wait()
            print(f"\n=== {session.name}: {time.monotonic() - began:.0f} s, exit status {status}", flush=True)
            print(child.log.read_text(errors="replace"), flush=True)
            counts.add(report_of(session, folder))
            # Status 5, no test collected, is a failure too: a step that ran nothing proved nothing.
            good = good and status == 0
    skipped = f", {counts.skipped} skipped" if counts.skipped else ""
    print(f"{counts.passed} passed, {counts.failed} failed{skipped}", flush=True)
    return good and counts.passed > 0 and counts.failed == 0


def start(session: Session, folder: Path, words: Sequence[str], env: Mapping[str, str]) -> Child:
    report = report_of(session, folder)
    return Child(
        [sys.executable, "-m", "pytest", f"--junitxml={report}", *session.words, *words],
        log=report.with_suffix(".log"),
        env={**env, **session.env},
        # As Ctrl-C does, so that pytest takes its servers and folders away.
        stop_signal=signal.SIGINT,
    )


def environment(folder: Path) -> dict[str, str]:
    """What every session has in its environment."""
    found = os.environ | {"PYTHONUNBUFFERED": "1", "TMPDIR": str(folder), RUN_FOLDER: str(folder)}
    # The tests start hundreds of programs, and each would compile all of Django anew: 4 of its 6 s.
    if found.pop("PYTHONDONTWRITEBYTECODE", ""):
        found["PYTHONPYCACHEPREFIX"] = str(folder / "bytecode")
    return found


def report_of(session: Session, folder: Path) -> Path:
    return folder / f"{session.name.replace(' ', '-')}.xml"


if __name__ == "__main__":
    sys.exit(main())
