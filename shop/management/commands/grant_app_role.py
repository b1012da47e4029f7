"""Give the service's own database role its rights: everything on ordinary tables, little on the books."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from shop.db.owner import acting_as_owner, grant_to


class Command(BaseCommand):
    help = (
        "Grants the service's PostgreSQL role its rights; run as, or with DATABASE_OWNER_URL of, the owner."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "role", nargs="?", help="the role to grant to; default: the one that DATABASE_URL names"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if connection.vendor != "postgresql":
            raise CommandError("Only PostgreSQL has roles; on SQLite there is nothing to grant.")
        role = options["role"] or connection.settings_dict["USER"]
        with acting_as_owner():
            if role == connection.settings_dict["USER"]:
                raise CommandError(
                    f"{role} owns the tables and may do everything. Set DATABASE_OWNER_URL to the owner and "
                    "DATABASE_URL to another role."
                )
            grant_to(role)
        if options["verbosity"]:
            self.stdout.write(f"{role} may use the service's tables; on the books it may only add.")
