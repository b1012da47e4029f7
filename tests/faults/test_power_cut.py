"""F13: the power goes at any system call of a writing service on SQLite; what the disk holds then is opened.

With the settings that the service ships nothing is corrupt, no book differs and nothing that was acknowledged
is lost. The two controls are the settings that it refuses to start with.
"""

import contextlib
import json
import random
import shutil
import signal
import subprocess
import sys
from collections import Counter

import pytest
from django.db import connection

from tests.faults.acts import found
from tests.faults.disk import TRACED, Disk, operations
from tests.servers.children import die_with_parent
from tests.servers.programs import program_environment

pytestmark = [pytest.mark.long, pytest.mark.sqlite, pytest.mark.django_db(transaction=True)]

# None of the unsynced writes survive, some, nearly all.
CHANCES = (0, 0.5, 0.9)


class Auditor:
    def __init__(self, log):
        with log.open("wb") as sink:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.faults.power_auditor"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=sink,
                env=program_environment(),
                text=True,
                preexec_fn=die_with_parent(signal.SIGKILL),
            )
        self.log = log
        assert self._answer() == "ready"

    def look(self, path):
        self.process.stdin.write(f"{path}\n")
        self.process.stdin.flush()
        return self._answer()

    def _answer(self):
        line = self.process.stdout.readline()
        assert line, self.log.read_text()[-2000:]
        return json.loads(line)

    def close(self):
        self.process.stdin.close()
        self.process.wait(20)
        self.process.stdout.close()


def record(folder, count, sync):
    """The service does `count` acts under strace; the trace and the database as it was before."""
    assert shutil.which("strace"), "strace is absent; this test needs it: apt-get install strace"
    database = folder / "shop.sqlite3"
    found()
    with connection.cursor() as cursor:
        cursor.execute("VACUUM INTO %s", [str(database)])
    environment = program_environment(DATABASE_URL=f"sqlite:///{database}")
    # Turned to WAL, as the service does when it first starts.
    closed_in_peace = (
        "import django; django.setup(); from django.db import connection;"
        "connection.ensure_connection(); connection.close()"
    )
    subprocess.run([sys.executable, "-c", closed_in_peace], env=environment, check=True)
    before = database.read_bytes()
    trace = folder / "trace"
    subprocess.run(
        [
            *("strace", "-f", "-xx", "-s", "200000", "-o", str(trace), "-e", f"trace={TRACED}"),
            *(sys.executable, "-m", "tests.faults.power_writer", str(count), sync),
        ],
        env=environment,
        stdout=subprocess.DEVNULL,
        check=True,
    )
    return trace, database, before


def cut_everywhere(folder, count, sync):
    """How often each outcome was met over every system call and every chance, and the most acts ever lost."""
    trace, database, before = record(folder, count, sync)
    disk = Disk(content={0: bytearray(before)}, names={str(database): 0})
    rng, outcomes, worst = random.Random(7), Counter(), 0
    left = folder / "left"
    with contextlib.closing(Auditor(folder / "auditor.log")) as auditor:
        for operation in operations(trace, database):
            disk.apply(operation)
            for chance in CHANCES:
                shutil.rmtree(left, ignore_errors=True)
                left.mkdir()
                for name, content in disk.after_a_cut(rng, chance).items():
                    (left / name.rpartition("/")[2]).write_bytes(content)
                answer = auditor.look(left / database.name)
                if answer["corrupt"]:
                    outcomes["corrupt"] += 1
                elif answer["audit"]:
                    outcomes["audit differs"] += 1
                elif answer["last"] < disk.acknowledged:
                    outcomes["acknowledged and lost"] += 1
                    worst = max(worst, disk.acknowledged - answer["last"])
                else:
                    outcomes["good"] += 1
    assert disk.acknowledged == count
    print(f"synchronous={sync}: {dict(outcomes)}, at most {worst} acknowledged acts lost")
    return outcomes


def test_nothing_is_lost_with_the_settings_that_ship(tmp_path):
    outcomes = cut_everywhere(tmp_path, 40, "FULL")
    assert set(outcomes) == {"good"}
    assert outcomes["good"] >= 800


def test_what_most_guides_advise_loses_acknowledged_acts(tmp_path):
    outcomes = cut_everywhere(tmp_path, 20, "NORMAL")
    assert outcomes["acknowledged and lost"]
    assert not outcomes["corrupt"]
    assert not outcomes["audit differs"]


def test_without_syncing_the_books_are_corrupt(tmp_path):
    outcomes = cut_everywhere(tmp_path, 20, "OFF")
    assert outcomes["corrupt"] or outcomes["audit differs"]
