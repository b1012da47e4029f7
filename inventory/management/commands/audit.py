import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import DatabaseError, InterfaceError
from django.utils import timezone

from inventory.compute.lengths import show
from inventory.models import Balance, Movement
from inventory.selectors.audit import audit
from inventory.selectors.stale import stale_lots
from shop.conf import conf
from shop.db import read_snapshot


class Command(BaseCommand):
    help = (
        "Recompute the books from the movements. Exit 0: clean; 1: differences, each named; 2: could not run."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--stale",
            action="store_true",
            help="instead, list shims that lie too long in trays, transit, inspection or receiving: 1 if any",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["stale"]:
            self._stale()
            return
        try:
            with read_snapshot():
                differences = audit()
                movements, balances = Movement.objects.count(), Balance.objects.count()
        except (DatabaseError, InterfaceError) as error:
            self.stderr.write(f"The audit could not run: {error}")
            sys.exit(2)
        for difference in differences:
            self.stdout.write(difference)
        if differences:
            self.stdout.write(f"{len(differences)} differences found.")
            sys.exit(1)
        self.stdout.write(f"The books are clean: {movements} movements, {balances} balances.")

    def _stale(self) -> None:
        """For monitoring: places that should drain and do not (see `selectors.stale`)."""
        try:
            lots = stale_lots(at=timezone.now(), older_than=conf.stale_time)
        except (DatabaseError, InterfaceError) as error:
            self.stderr.write(f"The audit could not run: {error}")
            sys.exit(2)
        for lot in lots:
            self.stdout.write(
                f"{lot.on_hand} × {show(lot.thickness_nm)} mm {lot.condition} in {lot.place.code} at "
                f"{lot.place.site.code} since {lot.since.isoformat(timespec='minutes')}"
            )
        days = conf.stale_time.days
        if lots:
            self.stdout.write(f"{len(lots)} lots have lain for more than {days} days.")
            sys.exit(1)
        self.stdout.write(f"Nothing has lain for more than {days} days.")
