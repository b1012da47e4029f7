"""Write transactions: `atomic_write` for a block, `write_transaction` for a service function.

READ COMMITTED with rows touched in one fixed order seldom loses a race; where it does, PostgreSQL says so
with 40001 or 40P01, and `write_transaction` runs the function again, five times at most. A with-block cannot
be run again, so services use the decorator. Inside a transaction that is open already both join it.
"""

import contextlib
import functools
import random
import time
from collections.abc import Callable, Iterator
from typing import ParamSpec, TypeVar

from django.db import DEFAULT_DB_ALIAS, DatabaseError, InterfaceError, connections, transaction
from django.db.models import Model, QuerySet

from shop.errors import Busy

from .failures import Failure, classify
from .waiting import asked, begins_again, by_now, once_locked

__all__ = [
    "Failure",
    "atomic_write",
    "by_now",
    "classify",
    "once_locked",
    "one_or_none",
    "read_snapshot",
    "write_at_once",
    "write_transaction",
]

MOST_RETRIES = 5
FIRST_PAUSE_SECONDS = 0.01
_jitter = random.SystemRandom()

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")
Row = TypeVar("Row", bound=Model)


@contextlib.contextmanager
def atomic_write(using: str = DEFAULT_DB_ALIAS, *, durable: bool = False) -> Iterator[None]:
    """One write transaction, or a savepoint of the one that is open. Raises Busy where the database is busy.

    With `durable` what is written is there when the block ends; RuntimeError inside another transaction.

    On SQLite the write lock is held from here to the end: do no slow work inside.
    """
    is_outermost = not connections[using].in_atomic_block
    with (
        _busy_as_refusal(),
        asked() if is_outermost else contextlib.nullcontext(),
        transaction.atomic(using=using, durable=durable),
    ):
        yield


@contextlib.contextmanager
def write_at_once(using: str = DEFAULT_DB_ALIAS) -> Iterator[bool]:
    """Around one statement that is not worth waiting for: yields whether it may be made, which on SQLite it
    may while nobody writes. PostgreSQL locks rows, and there the statement itself has to pass by."""
    connection = connections[using]
    if connection.vendor != "sqlite":
        yield True
        return
    with connection.lock_if_free() as is_free:
        yield is_free


def write_transaction(function: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """The function in one write transaction, run again when the database says that it lost a race.

    It may therefore run up to six times: it must not change anything outside the database. What it hands to
    `transaction.on_commit` runs once, after the try that succeeded.
    """

    @functools.wraps(function)
    def run(*args: Parameters.args, **kwargs: Parameters.kwargs) -> Result:
        if connections[DEFAULT_DB_ALIAS].in_atomic_block:
            # Only the outermost transaction can be run again.
            with transaction.atomic():
                return function(*args, **kwargs)
        with _busy_as_refusal(), asked():
            return _with_retries(function, *args, **kwargs)

    return run


def _with_retries(
    function: Callable[Parameters, Result], *args: Parameters.args, **kwargs: Parameters.kwargs
) -> Result:
    for attempt in range(MOST_RETRIES + 1):
        try:
            with transaction.atomic():
                return function(*args, **kwargs)
        except DatabaseError as error:
            if classify(error) is not Failure.RETRY or attempt == MOST_RETRIES:
                raise
        begins_again()
        time.sleep(_jitter.uniform(0, FIRST_PAUSE_SECONDS * 2**attempt))
    raise AssertionError("unreachable: the last try returns or raises")


@contextlib.contextmanager
def _busy_as_refusal() -> Iterator[None]:
    try:
        yield
    except (DatabaseError, InterfaceError) as error:
        if classify(error) is Failure.OTHER:
            raise
        raise Busy("The shop's database is busy just now; nothing was changed. Try again.") from error


@contextlib.contextmanager
def read_snapshot(using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """One moment's view of the whole database for as long as it takes: audits and exports.

    Nothing can be written inside, and no writer waits for it: on SQLite it does without the write lock. In
    a transaction that is open already it is that transaction's view.
    """
    connection = connections[using]
    if connection.in_atomic_block:
        yield
        return
    if connection.vendor == "sqlite":
        with connection.reading(), transaction.atomic(using=using):
            yield
        return
    with transaction.atomic(using=using):
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            cursor.execute("SET LOCAL statement_timeout = 0")
        yield


def one_or_none(rows: QuerySet[Row]) -> Row | None:
    """The row of a queryset that has one at most. `first` would have it sorted first, which costs Django, who
    looks for the order among all columns that are read, as much as the rest of the query."""
    return next(iter(rows.order_by()[:1]), None)
