"""Programs with keys, and a small shop for them to work in."""

import itertools
import json
from dataclasses import dataclass, field

import pytest
from django.test import Client
from django.utils import timezone

from api.services.keys import issue_key
from shop.actor import service_actor
from shop.roles import SCOPES

_numbers = itertools.count(1)


@dataclass
class Program:
    """A program with its key, speaking to the service as from outside. Every write has a new
    Idempotency-Key unless `key` names one; a POST to a thing carries its current ETag unless told not to."""

    text: str
    client: Client = field(default_factory=lambda: Client(raise_request_exception=False))

    def get(self, path, **headers):
        return self.client.get(f"/api/v1{path}", headers=self._headers(headers))

    def post(self, path, body=None, *, key=None, if_match=None, **headers):
        if key is not False:
            headers["Idempotency-Key"] = key or f"test-{next(_numbers)}"
        if if_match is not None:
            headers["If-Match"] = if_match
        data = body if isinstance(body, bytes | str) else json.dumps({} if body is None else body)
        return self.client.post(
            f"/api/v1{path}", data=data, content_type="application/json", headers=self._headers(headers)
        )

    def act(self, path, body=None, **options):
        """POST to /things/<id>/act with the ETag that the thing has now."""
        thing = path.rpartition("/")[0]
        return self.post(path, body, if_match=self.get(thing)["ETag"], **options)

    def _headers(self, more):
        return {"Authorization": f"Bearer {self.text}", **more}


def program(user, *sites, scopes=SCOPES, **options) -> Program:
    """A program with a fresh key in the name of `user`."""
    _, text = issue_key(
        actor=service_actor(),
        at=timezone.now(),
        name="Bench calculator",
        user=user,
        sites=sites,
        scopes=scopes,
        **({"requests_per_minute": 100_000} | options),
    )
    return Program(text)


@pytest.fixture
def calculator(manager, site) -> Program:
    """A program with every scope, in the name of the site's manager."""
    return program(manager, site)


@pytest.fixture
def stranger(outsider, other_site) -> Program:
    """The same for the other site."""
    return program(outsider, other_site)
