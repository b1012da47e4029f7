"""Which triggers a database has."""

from django.db.backends.base.base import BaseDatabaseWrapper


def present_triggers(connection: BaseDatabaseWrapper) -> set[str]:
    """Names of the triggers that are there and switched on."""
    query = (
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        if connection.vendor == "sqlite"
        else "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D'"
    )
    with connection.cursor() as cursor:
        cursor.execute(query)
        return {row[0] for row in cursor.fetchall()}
