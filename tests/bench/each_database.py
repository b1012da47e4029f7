"""A bench on both databases, each in a process of its own: Django reads its settings once a process."""

import argparse
import os
import subprocess
import sys
from collections.abc import Callable

import django

from tests import environment

DATABASES = ("sqlite", "postgresql")


def on_each_database(
    parser: argparse.ArgumentParser, module: str, bench: Callable[[argparse.Namespace], int]
) -> int:
    """Run `bench` with what was asked for, on the database that --database names, or on one after the other.

    module: the bench's own, as `python -m` takes it. Returns its exit status, the worse of the two.
    """
    parser.add_argument("--database", choices=DATABASES)
    options = parser.parse_args()
    if options.database is None:
        words = [sys.executable, "-m", module, *sys.argv[1:]]
        return max(
            subprocess.run([*words, "--database", choice], check=False).returncode for choice in DATABASES
        )
    os.environ[environment.CHOICE] = options.database
    environment.prepare()
    if options.database == "postgresql":
        environment.make_database("bench")
    django.setup()
    return bench(options)
