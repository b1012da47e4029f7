"""The database as the migrations leave it: a run's first session on each kind makes it, its others copy it.

To migrate takes ten seconds of computing. Without the folder and the server that tests/run.py
has for all of its sessions, each migrates for itself.
"""

import fcntl
import os
import shutil
from pathlib import Path

import psycopg
from django.db.backends.base.base import BaseDatabaseWrapper
from psycopg import sql

from tests import environment

NAME = "coldgap_migrated"


class Migrated:
    """That database for sessions like this one."""

    def __init__(self, connection: BaseDatabaseWrapper, folder: Path) -> None:
        self.connection = connection
        self.postgresql = connection.vendor == "postgresql"
        self.file = folder / environment.MIGRATED_FILE
        self._lock = os.open(folder / f"{connection.vendor}.lock", os.O_CREAT | os.O_RDWR)

    def copy(self, name: str) -> bool:
        """Make the database `name`, a file on SQLite, of it; False where this session is to migrate, while
        the others wait for it to `leave` what it made."""
        fcntl.flock(self._lock, fcntl.LOCK_EX)
        if not self._is_there():
            return False
        fcntl.flock(self._lock, fcntl.LOCK_UN)
        if self.postgresql:
            self._as_owner("CREATE DATABASE {} TEMPLATE {}", name, NAME)
        else:
            shutil.copyfile(self.file, name)
        return True

    def leave(self) -> None:
        """Keep this session's database as it is now, whole or not at all."""
        if self._is_there():
            return
        if self.postgresql:
            # Nobody may be connected to what is copied.
            self.connection.close()
            self._as_owner("CREATE DATABASE {} TEMPLATE {}", NAME, self.connection.settings_dict["NAME"])
        else:
            part = self.file.with_suffix(".part")
            with self.connection.cursor() as cursor:
                cursor.execute("VACUUM INTO %s", [str(part)])
            part.rename(self.file)
        fcntl.flock(self._lock, fcntl.LOCK_UN)

    def _is_there(self) -> bool:
        if not self.postgresql:
            return self.file.exists()
        with self._server() as server:
            found = server.execute("SELECT 1 FROM pg_database WHERE datname = %s", [NAME])
            return found.fetchone() is not None

    def _as_owner(self, statement: str, *names: str) -> None:
        with self._server() as server:
            server.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))

    def _server(self) -> psycopg.Connection:
        return psycopg.connect(os.environ[environment.SERVER_URL], autocommit=True)
