"""Django's `migrate`, run as the owner of the tables where DATABASE_OWNER_URL names one."""

from typing import Any

from django.conf import settings
from django.core.management.commands import migrate
from django.db import DEFAULT_DB_ALIAS, connections

from shop.db.owner import acting_as_owner, grant_to


class Command(migrate.Command):
    def handle(self, *args: Any, **options: Any) -> None:
        using = options["database"]
        role = connections[using].settings_dict["USER"]
        with acting_as_owner(using):
            super().handle(*args, **options)
            whole = not options["app_label"] and not options["plan"] and not options["check_unapplied"]
            if settings.DATABASE_OWNER is not None and using == DEFAULT_DB_ALIAS and whole:
                grant_to(role, using)
