"""What the two databases share out between them by default is there, and leaves out no write and no test."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.api.writes import writes
from tests.halves import BOTH, DATABASES, EACH_WRITE, EITHER, half_of

ROOT = Path(__file__).resolve().parents[2]


def one(nodeid, *fixtures, **marks):
    """A test as pytest has it."""
    return SimpleNamespace(nodeid=nodeid, fixturenames=fixtures, get_closest_marker=marks.get)


@pytest.mark.parametrize("name", [*EITHER, *BOTH, *EACH_WRITE])
def test_what_is_named_is_there(name):
    file, _, function = name.partition("::")
    assert (ROOT / file).exists()
    assert f" {function}" in (ROOT / file).read_text() if function else True


def test_every_write_is_done_on_both_databases():
    for _, declared in writes():
        on = {half_of(one(f"{family}[{declared.name}]")) for family in EACH_WRITE}
        assert on == set(DATABASES), declared.name


def test_all_of_a_class_of_one_write_is_on_one_database():
    kind = "tests/api/test_every_write.py::TestEveryWrite"
    assert len({half_of(one(f"{kind}::{name}[fit_job]")) for name in ("test_a", "test_b", "test_c")}) == 1


def test_about_half_of_the_others_is_on_each():
    for place in EITHER:
        on = [half_of(one(f"{place}::test_{number}")) for number in range(200)]
        assert all(70 < on.count(database) < 130 for database in DATABASES)


def test_to_whom_the_database_matters_runs_on_both():
    place, committing = EITHER[-1], SimpleNamespace(kwargs={"transaction": True})
    assert half_of(one(f"{place}::test_1")) is not None
    assert half_of(one(f"{place}::test_1", "transactional_db")) is None
    assert half_of(one(f"{place}::test_1", "live_server")) is None
    assert half_of(one(f"{place}::test_1", django_db=committing)) is None
    assert half_of(one(f"{place}::test_1", owner=SimpleNamespace())) is None
    assert half_of(one(BOTH[0])) is None
    assert half_of(one(f"{BOTH[1]}::test_1")) is None
    assert half_of(one("tests/inventory/test_hold.py::test_1")) is None
