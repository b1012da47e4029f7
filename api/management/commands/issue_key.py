"""manage.py issue_key: a key for a program, printed once."""

from argparse import ArgumentParser
from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from api.services.keys import issue_key
from shop.actor import service_actor
from shop.errors import ShopError
from shop.models import Site, User
from shop.roles import SCOPES


class Command(BaseCommand):
    help = "Issue an API key and print it. It is shown this once; only its hash is kept."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--name", required=True, help="the program that will use the key")
        parser.add_argument("--user", required=True, help="log-in name of the person in whose name it acts")
        parser.add_argument("--site", action="append", required=True, help="code of a site; may be repeated")
        parser.add_argument("--scope", action="append", required=True, choices=SCOPES, help="may be repeated")
        parser.add_argument(
            "--days", type=int, help="for how many days it is good; without it, until revoked"
        )
        parser.add_argument("--requests-per-minute", type=int, help="without it, the shop's setting")

    def handle(self, *args: Any, **options: Any) -> None:
        user = User.objects.filter(username=options["user"]).first()
        if user is None:
            raise CommandError(f"Nobody logs in as {options['user']}.")
        sites = list(Site.objects.filter(code__in=options["site"]))
        if missing := set(options["site"]) - {site.code for site in sites}:
            raise CommandError(f"There is no site {', '.join(sorted(missing))}.")
        at = timezone.now()
        try:
            key, text = issue_key(
                actor=service_actor(),
                at=at,
                name=options["name"],
                user=user,
                sites=sites,
                scopes=options["scope"],
                requests_per_minute=options["requests_per_minute"],
                expires_at=at + timedelta(days=options["days"]) if options["days"] is not None else None,
            )
        except ShopError as refusal:
            raise CommandError(refusal.message) from refusal
        self.stdout.write(f"API key: {text}")
        self.stdout.write(f"It acts for {key.user} at {', '.join(site.name for site in sites)}.")
