"""The demo's shop made for its tests, by the command as a person calls it, and how to look into it."""

import sqlite3
import subprocess
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from tests.shop.demo_process import MANAGE, ROOT, environment, manage

BUILD_SECONDS = 180


@dataclass(frozen=True, kw_only=True)
class Made:
    """A data folder with the whole shop in it, and how it came to be: a building that was killed, a next
    start that built a small shop, and a reset that built the whole one.

    half_built: rows in shop_site after the kill; small_sites, small_jobs: what the next start made.
    """

    folder: Path
    half_built: int
    small_sites: list[tuple]
    small_jobs: int
    small_is_clean: bool


def make_shop(folder: Path, past_jobs: int) -> Made:
    """By one chain of starts in a folder with a migrated database: each of its links is to be proven,
    and each shop takes long to build."""
    kill_while_it_builds(folder)
    ((half_built,),) = query(folder, "SELECT count(*) FROM shop_site")
    done = manage(folder, "demo", "--build-only", "--past-jobs", "0")
    assert done.returncode == 0, done.stderr
    small_sites = query(folder, "SELECT id FROM shop_site ORDER BY id")
    ((small_jobs,),) = query(folder, "SELECT count(*) FROM jobs_job")
    small_is_clean = books_are_clean(folder)

    began = time.monotonic()
    done = manage(folder, "demo", "--build-only", "--reset", "--past-jobs", str(past_jobs))
    assert done.returncode == 0, done.stderr
    print(f"from nothing: built after {time.monotonic() - began:.0f} s")
    assert time.monotonic() - began < BUILD_SECONDS
    return Made(
        folder=folder,
        half_built=half_built,
        small_sites=small_sites,
        small_jobs=small_jobs,
        small_is_clean=small_is_clean,
    )


def query(data_dir: Path, sql: str) -> list[tuple]:
    with closing(sqlite3.connect(data_dir / "demo.sqlite3")) as database:
        return database.execute(sql).fetchall()


def start_to_build(data_dir: Path) -> subprocess.Popen[str]:
    """The building of the whole shop, two seconds after it began."""
    child = subprocess.Popen(
        [*MANAGE, "demo", "--build-only"],
        cwd=ROOT,
        env=environment(data_dir),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert "Building" in child.stdout.readline()
    time.sleep(2)
    return child


def kill_while_it_builds(data_dir: Path) -> None:
    child = start_to_build(data_dir)
    child.kill()
    child.communicate()


def books_are_clean(data_dir: Path) -> bool:
    done = manage(data_dir, "audit")
    assert "clean" in done.stdout, done.stdout + done.stderr
    return done.returncode == 0
