"""The steps of `tests.run` that look only at some files find every test that is theirs."""

import re
from pathlib import Path

import pytest

from tests.run import APART, SESSIONS

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(("name", "mark"), [("pages", "browser"), ("API fuzz", "fuzz")])
def test_every_test_with_the_mark_is_where_the_step_looks(name, mark):
    (words,) = [session.words for session in SESSIONS if session.name == name]
    place = ROOT / next(word for word in words if word.startswith("tests/"))
    marked = [
        path
        for path in (ROOT / "tests").rglob("test_*.py")
        if re.search(rf"\bmark\.{mark}\b", path.read_text())
    ]
    assert marked
    assert all(path == place or place in path.parents for path in marked), (marked, place)


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
def test_what_is_tried_apart_is_tried_on_each_database(database):
    most = next(session for session in SESSIONS if session.name == database)
    ignored = [word for word in most.words if word.startswith("--ignore")]
    assert ignored == [f"--ignore={folder}" for folder in APART]
    for folder in APART:
        (apart,) = [
            session
            for session in SESSIONS
            if session.words[0] == folder and session.name.startswith(database)
        ]
        assert apart.env == most.env
        assert list(apart.words[1:]) == [word for word in most.words if word not in ignored]
        assert list((ROOT / folder).glob("test_*.py"))
