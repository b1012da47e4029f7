"""Which tests each database has a half of by default, and all of with --long: tests/run.py asks for --half.

What `EITHER` names looks at what is the same on either database: the words and the shape of a page or an
answer, who is refused and how. What a database does for it, by statements of its own, by its locks and its
rights, is looked at elsewhere and on both. A test there that commits, or says by a mark that the database
matters to it, is in no half.

`EACH_WRITE` names tests with one case for each write of the API. A write has its case of the first kind on
one database and that of the second on the other, so that every write is done on both.
"""

import zlib
from pathlib import PurePosixPath

import pytest

DATABASES = ("sqlite", "postgresql")
# Folders, and files.
EITHER = (
    "tests/ui",
    "tests/api/test_beforehand.py",
    "tests/api/test_buying_insight.py",
    "tests/api/test_counts.py",
    "tests/api/test_history.py",
    "tests/api/test_history_files.py",
    "tests/api/test_insight.py",
    "tests/api/test_isolation.py",
    "tests/api/test_labels.py",
    "tests/api/test_plans.py",
    "tests/api/test_plans_refused.py",
    "tests/api/test_problems.py",
    "tests/api/test_query_counts.py",
    "tests/api/test_shop_plans.py",
    "tests/api/test_stock_mix.py",
    "tests/api/test_stories.py",
    "tests/api/test_take_over.py",
)
# Where every page is opened, and a page's queries are counted.
BOTH = (
    "tests/ui/test_every_page.py::test_every_page_of_a_job_in_every_state_and_all_others_open_and_write_nothing",
    "tests/ui/test_query_counts.py",
)
EACH_WRITE = {
    "tests/api/test_every_write.py::TestEveryWrite": 0,
    "tests/faults/test_killed_in_a_request.py::test_one_effect_wherever_it_was_killed": 0,
    "tests/api/test_two_at_once.py::test_the_same_request_twice_at_once_has_one_effect": 1,
}
_WHOLE = ("db_both", "postgresql", "sqlite", "redis", "celery", "owner", "broken_books")


def half_of(item: pytest.Item) -> str | None:
    """The database that a test runs on by default, the same in every run; None where it runs on both."""
    name = item.nodeid.partition("[")[0]
    family = next((each for each in EACH_WRITE if name == each or name.startswith(f"{each}::")), None)
    if family is not None:
        write = item.nodeid.removeprefix(name)
        return DATABASES[(zlib.crc32(write.encode()) + EACH_WRITE[family]) % 2]
    return DATABASES[zlib.crc32(item.nodeid.encode()) % 2] if _is_either(item) else None


def _is_either(item: pytest.Item) -> bool:
    file = PurePosixPath(item.nodeid.partition("::")[0])
    if {str(file), *map(str, file.parents)}.isdisjoint(EITHER) or {item.nodeid, str(file)} & {*BOTH}:
        return False
    commits = {"transactional_db", "live_server"} & set(getattr(item, "fixturenames", ()))
    marked = item.get_closest_marker("django_db")
    if commits or (marked and marked.kwargs.get("transaction")):
        return False
    return not any(map(item.get_closest_marker, _WHOLE))
