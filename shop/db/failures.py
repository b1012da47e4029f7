"""What a database error means to the caller: try again, the database is busy, it is away, or a mistake."""

from enum import Enum

import psycopg
from django.db import DatabaseError, InterfaceError, OperationalError


class Failure(Enum):
    """RETRY: the transaction lost a race and may simply run again. BUSY: locked or too slow just now.
    AWAY: cannot be reached, or it refuses to write. OTHER: a broken rule or a mistake in our own SQL."""

    RETRY = "retry"
    BUSY = "busy"
    AWAY = "away"
    OTHER = "other"


# PostgreSQL's manual, appendix A "PostgreSQL Error Codes".
_RETRY_STATES = frozenset({"40001", "40P01"})
_BUSY_STATES = frozenset({"55P03", "57014", "53300"})
_AWAY_CLASSES = frozenset({"08", "53", "57", "58"})
_READ_ONLY_STATE = "25006"


def classify(error: BaseException) -> Failure:
    """The meaning of an error that Django raised; anything else than a database error is OTHER."""
    if not isinstance(error, DatabaseError | InterfaceError):
        return Failure.OTHER
    cause = error.__cause__
    state = getattr(cause, "sqlstate", None)
    if state in _RETRY_STATES:
        return Failure.RETRY
    if state in _BUSY_STATES:
        return Failure.BUSY
    if isinstance(state, str):
        away = state[:2] in _AWAY_CLASSES or state == _READ_ONLY_STATE
        return Failure.AWAY if away else Failure.OTHER
    if "database is locked" in str(error) or "database table is locked" in str(error):
        return Failure.BUSY
    # No SQLSTATE: the connection never came about or broke, the pool ran dry, or SQLite cannot use its file.
    if type(cause).__name__ in {"PoolTimeout", "TooManyRequests"}:
        return Failure.BUSY
    # An answer in the midst of which the server went away is ended by its own library, by an error without a
    # state, of which psycopg can tell no more than that it came from the database.
    if type(cause) is psycopg.DatabaseError:
        return Failure.AWAY
    if isinstance(error, OperationalError | InterfaceError) and not _is_sqlite_mistake(cause):
        return Failure.AWAY
    return Failure.OTHER


def _is_sqlite_mistake(cause: BaseException | None) -> bool:
    """SQLite calls a wrong table or column an operational error too, by its generic code 1, SQLITE_ERROR."""
    return getattr(cause, "sqlite_errorcode", None) == 1
