import sys
from typing import Any

from django.core.management.base import BaseCommand
from django.db import DatabaseError, InterfaceError

from inventory.models import Balance, Movement
from inventory.selectors.audit import audit
from shop.db import read_snapshot


class Command(BaseCommand):
    help = (
        "Recompute the books from the movements. Exit 0: clean; 1: differences, each named; 2: could not run."
    )

    def handle(self, *args: Any, **options: Any) -> None:
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
