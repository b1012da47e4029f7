"""Webhooks in the tests: endpoints on loopback receivers, events, background work done until it is over."""

from datetime import UTC, datetime

import pytest
import time_machine

from shop.actor import Actor, actor_for_user, service_actor
from shop.background import registry, work
from shop.models import Site, WebhookDelivery, WebhookEndpoint
from shop.webhooks.endpoints import add_endpoint
from shop.webhooks.events import EventKind, tell
from shop.webhooks.targets import check_target
from tests.shop.receiver import Receiver, receiving

AT = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


@pytest.fixture
def loopback(settings):
    """Receivers on this machine may be told."""
    settings.COLDGAP = settings.COLDGAP | {"WEBHOOK_ALLOW_PRIVATE": ["127.0.0.0/8"]}


@pytest.fixture
def receiver(loopback):
    with receiving() as told:
        yield told


@pytest.fixture
def clock(monkeypatch):
    """The time, which stands until a test moves it; nothing runs by the clock alone."""
    monkeypatch.setattr(registry, "periodics", {})
    with time_machine.travel(AT, tick=False) as traveller:
        yield traveller


def registered(
    site: Site, receiver: Receiver, *, kinds=tuple(EventKind.values), actor: Actor | None = None, at=AT
) -> tuple[WebhookEndpoint, str]:
    """An endpoint at the receiver, and its secret."""
    return add_endpoint(
        site=site, actor=actor or service_actor(), at=at, target=check_target(receiver.url), kinds=kinds
    )


def happen(site: Site, kind: EventKind = EventKind.JOB_SIGNED_OFF, *, at=AT, **data):
    return tell(kind, {"number": 4} | data, site=site, at=at)


def settle() -> None:
    """Work the background until nothing is due."""
    for _ in range(200):
        if not work.work_once():
            return
    raise AssertionError("the background never comes to rest")


def deliveries() -> list[WebhookDelivery]:
    return list(WebhookDelivery.objects.order_by("created_at", "id"))


def delivery() -> WebhookDelivery:
    (only,) = deliveries()
    return only


def actor(user) -> Actor:
    return actor_for_user(user)
