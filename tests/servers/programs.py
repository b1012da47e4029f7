"""Programs of the service as processes of their own, on the database that the test uses."""

import os
import sys
from pathlib import Path

from django.db import connection

from .children import Child


def program_environment(**more: str) -> dict[str, str]:
    """The environment of a program that shares this test's database. The test must commit what it writes."""
    settings = connection.settings_dict
    if connection.vendor == "sqlite":
        url = f"sqlite:///{settings['NAME']}"
    else:
        # As the role that the test works as; the tests' roles share one password.
        role = settings["OPTIONS"].get("assume_role") or settings["USER"]
        login = f"{role}:{settings['PASSWORD']}"
        url = f"postgresql://{login}@{settings['HOST']}:{settings['PORT']}/{settings['NAME']}"
    return os.environ | {"DATABASE_URL": url, "PYTHONUNBUFFERED": "1"} | more


def python(words: list[str], *, log: Path, with_children: bool = False, **more: str) -> Child:
    """Start `python WORDS` with the service's settings; it dies with the tests."""
    environment = program_environment(**more)
    return Child([sys.executable, *words], log=log, env=environment, with_children=with_children)
