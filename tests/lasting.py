"""What takes seconds to make and is only looked at: made once, not for every test."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from django.db import transaction


@contextmanager
def made_once(blocker: Any, make: Callable[[], Any]) -> Iterator[Any]:
    """What `make` gives, made in a transaction around the tests that is taken back after the last of them.

    For a fixture that outlives a test; every test that runs meanwhile must be one that expects what it made.
    blocker: the fixture `django_db_blocker`.
    """
    around = transaction.atomic()
    # As Django's own TestCase does, so that a transaction that must be the outermost may begin inside.
    around._from_testcase = True
    with blocker.unblock():
        around.__enter__()
        try:
            made = make()
        except BaseException:
            transaction.set_rollback(True)
            around.__exit__(None, None, None)
            raise
    yield made
    with blocker.unblock():
        transaction.set_rollback(True)
        around.__exit__(None, None, None)
