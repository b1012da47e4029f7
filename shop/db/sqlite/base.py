"""The backend: whoever writes takes the lock first, and gives it back when the transaction is over."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.db.backends.sqlite3 import base
from django.db.utils import OperationalError

from . import turn
from .lock import LockTimeoutError, WriteLock

DEFAULT_TIMEOUT_SECONDS = 20.0
# Statements that write. Outside a transaction each is one of its own and queues like any other writer;
# left to SQLite's busy handler it could starve behind those that pass the lock from hand to hand.
_WRITING = frozenset({"INSERT", "UPDATE", "DELETE", "REPLACE", "CREATE", "DROP", "ALTER", "REINDEX"})
_NOTHING = contextlib.nullcontext()


class DatabaseWrapper(base.DatabaseWrapper):
    """Django's, plus the write lock. In-memory databases have no other process to queue with: no lock."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.write_lock = WriteLock()
        self._only_reading = False

    @property
    def lock_path(self) -> Path | None:
        """The lock file's path; None for a database in memory."""
        return None if self.is_in_memory_db() else Path(f"{self.settings_dict['NAME']}.lock")

    def get_new_connection(self, conn_params: dict[str, Any]) -> Any:
        # Turning a new file to WAL needs it alone, and SQLite does not wait there: two first starts at once
        # would find it locked.
        name = Path(str(self.settings_dict["NAME"]))
        is_new = self.lock_path is not None and (not name.exists() or name.stat().st_size == 0)
        with self._turn() if is_new else contextlib.nullcontext():
            return super().get_new_connection(conn_params)

    def create_cursor(self, name: str | None = None) -> Any:
        cursor = self.connection.cursor(factory=LockingCursor)
        cursor.database = self
        return cursor

    def write_turn(self, query: str) -> contextlib.AbstractContextManager[None]:
        """The lock around one statement that writes outside a transaction; nothing for all others."""
        if self.in_atomic_block or self.write_lock.held:
            return _NOTHING
        if query.lstrip()[:8].split(None, 1)[:1][0].upper() not in _WRITING or self.lock_path is None:
            return _NOTHING
        return self._turn()

    @contextlib.contextmanager
    def lock_if_free(self) -> Iterator[bool]:
        """The lock, where it is free at once or this connection has it; yields whether it has."""
        if self.in_atomic_block or self.write_lock.held or self.lock_path is None:
            yield True
            return
        is_ours = self.write_lock.acquire_at_once(self.lock_path)
        try:
            yield is_ours
        finally:
            self.write_lock.release()

    @contextlib.contextmanager
    def reading(self) -> Iterator[None]:
        """Transactions begun inside read one snapshot, take no lock and refuse to write."""
        self.ensure_connection()
        self._only_reading = True
        mode, self.transaction_mode = self.transaction_mode, "DEFERRED"
        try:
            self.connection.execute("PRAGMA query_only = ON")
            yield
        finally:
            self._only_reading = False
            self.transaction_mode = mode
            if self.connection is not None:
                self.connection.execute("PRAGMA query_only = OFF")

    def _start_transaction_under_autocommit(self) -> None:
        if self.lock_path is None or self._only_reading:
            super()._start_transaction_under_autocommit()
            return
        self._take_lock()
        try:
            super()._start_transaction_under_autocommit()
        except BaseException:
            self.write_lock.release()
            raise

    def _commit(self) -> None:
        # A commit that fails leaves the transaction open: Django rolls it back, the lock stays till then.
        super()._commit()
        self.write_lock.release()

    def _rollback(self) -> None:
        try:
            super()._rollback()
        finally:
            self.write_lock.release()

    def _close(self) -> None:
        try:
            super()._close()
        finally:
            self.write_lock.release()

    def _take_lock(self) -> None:
        timeout = float(self.settings_dict["OPTIONS"].get("timeout", DEFAULT_TIMEOUT_SECONDS))
        path = self.lock_path
        if path is None:
            return
        try:
            if not self.write_lock.acquire_at_once(path):
                with turn.for_the_lock():
                    self.write_lock.acquire(path, timeout)
        except LockTimeoutError as error:
            # SQLite's own words, so that one place decides what a locked database means to a caller.
            raise OperationalError(f"database is locked: {error}") from error

    @contextlib.contextmanager
    def _turn(self) -> Iterator[None]:
        self._take_lock()
        try:
            yield
        finally:
            self.write_lock.release()


class LockingCursor(base.SQLiteCursorWrapper):
    """Django's cursor, taking the write lock for statements outside a transaction."""

    database: DatabaseWrapper

    def execute(self, query: str, params: Any = None) -> Any:
        with self.database.write_turn(query):
            return super().execute(query, params)

    def executemany(self, query: str, param_list: Any) -> Any:
        with self.database.write_turn(query):
            return super().executemany(query, param_list)
