"""Real browsers on a real server: chromium by Playwright, the service in a thread of the tests' process."""

import os
import re

import pytest
from django.db import connection
from django.test import Client
from playwright.sync_api import sync_playwright

from shop.models import Role, User
from tests.browser.launch import ARGUMENTS, EXECUTABLE
from tests.browser.watch import Watched, watch
from tests.flushing import allow_flush
from tests.jobs.conftest import at, boss, clerk, service, stranger, tech, workshop
from tests.people import person
from tests.ui.furnished import furnish

__all__ = ["at", "boss", "clerk", "service", "stranger", "tech", "workshop"]

PASSWORD = "thin leaf passes the gap"
SIZES = {"phone": (390, 844), "tablet": (820, 1180), "wide": (1180, 820), "desktop": (1440, 900)}


@pytest.fixture(scope="session")
def chromium():
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=EXECUTABLE, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="package", autouse=True)
def _beside_a_loop(django_db_setup, chromium):
    """Playwright keeps an event loop in this thread. Django refuses to ask a database beside one unless it is
    told that this is meant, and then asks over a connection of its own."""
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    allow_flush(connection)
    yield
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture
def may_log_in(transactional_db):
    """Give a person of tests/people.py a password."""

    def give(user: User) -> User:
        user.set_password(PASSWORD)
        user.save()
        return user

    return give


@pytest.fixture
def open_browser(chromium, live_server):
    """A tab of its own per call, that talks to this service only and notes what it should not have done."""
    opened: list[Watched] = []

    def start(size: str = "tablet", *, scheme: str = "light", **options) -> Watched:
        width, height = SIZES[size]
        context = chromium.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            base_url=live_server.url,
            reduced_motion="reduce",
            **options,
        )
        context.set_default_timeout(15_000)
        watched = watch(context, live_server.url)
        opened.append(watched)
        return watched

    yield start
    for watched in opened:
        watched.context.close()
    for watched in opened:
        assert watched.outside == []
        assert watched.stopped == []
        assert watched.broken == []


@pytest.fixture
def logged_in(open_browser, live_server):
    """A tab in which somebody has logged in, by the cookie that the log-in would have set."""

    def start(user: User, size: str = "tablet", **options) -> Watched:
        watched = open_browser(size, **options)
        client = _client_of(user)
        watched.context.add_cookies(
            [{"name": "sid", "value": client.cookies["sid"].value, "url": live_server.url}]
        )
        return watched

    return start


def _client_of(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


@pytest.fixture
def shop(workshop, clerk):
    return furnish(workshop, clerk)


@pytest.fixture
def boss_of_both(site, other_site):
    """A manager with two sites, so that every way to choose is on the pages."""
    user = person("mara2", "Mara Quist", site, Role.MANAGER)
    user.memberships.create(site=other_site, role=Role.MANAGER)
    return user


def address_of(page) -> str:
    """The path that the tab shows."""
    return re.sub(r"^https?://[^/]+", "", page.url)
