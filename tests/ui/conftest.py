"""People at their browsers: a client per person, and pages by their names.

The furnished shop takes seconds to make, so that it is made once, in a transaction around all tests that work
in it; they run last (tests/conftest.py), each in a transaction of its own inside, with its own copy of what
`furnish` gave.
"""

import copy
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from shop.actor import actor_for_user
from shop.models import Site, User
from tests.jobs.conftest import at, boss, clerk, service, stranger, tech
from tests.jobs.shop import AT, HOUR, Workshop, make_workshop
from tests.lasting import made_once
from tests.people import ines, north_yard, tobi
from tests.ui.furnished import Furnished, furnish

__all__ = ["at", "boss", "clerk", "service", "stranger", "tech"]


@dataclass
class Furniture:
    """The furnished shop and who works in it."""

    technician: User
    counter: User
    shop: Furnished


@dataclass
class Browser:
    """One person's browser without script. A name that takes the site's code gets this one's."""

    client: Client
    site: Site

    def address(self, name, *args):
        return reverse(name, args=[self.site.code, *args])

    def get(self, name, *args, **query):
        return self.client.get(self.address(name, *args), query)

    def post(self, name, *args, follow=True, **data):
        return self.client.post(self.address(name, *args), data, follow=follow)

    def send_one(self, name, field, *args, **data):
        """What htmx sends when one field of a sheet has changed."""
        headers = {"HX-Request": "true", "HX-Trigger-Name": field, "HX-Trigger": f"id_{field}"}
        return self.client.post(self.address(name, *args), data, headers=headers)


def browser_of(user: User, site: Site) -> Browser:
    client = Client()
    client.force_login(user)
    return Browser(client=client, site=site)


@pytest.fixture(autouse=True)
def that_day():
    """Pages act now: an hour after the workshop's jobs were opened, so that their holds still stand."""
    with time_machine.travel(AT + HOUR):
        yield


@pytest.fixture
def bay_tablet(technician, site):
    """The technician's."""
    return browser_of(technician, site)


@pytest.fixture
def counter_screen(counter, site):
    return browser_of(counter, site)


@pytest.fixture
def office(manager, site):
    """The manager's."""
    return browser_of(manager, site)


@pytest.fixture
def foreign(outsider, site):
    """A manager of another site who asks for this one's pages."""
    return browser_of(outsider, site)


@pytest.fixture(scope="session")
def furniture_of_the_session(django_db_setup, django_db_blocker) -> Iterator[Furniture]:
    with made_once(django_db_blocker, make_furniture) as made:
        yield made


def make_furniture() -> Furniture:
    with time_machine.travel(AT + HOUR):
        site = north_yard()
        technician = ines(site)
        counter = tobi(site)
        workshop = make_workshop(site, actor_for_user(technician, request_id="req-tech"))
        shop = furnish(workshop, actor_for_user(counter, request_id="req-clerk"))
        return Furniture(technician=technician, counter=counter, shop=shop)


@pytest.fixture
def furniture(request) -> Furniture | None:
    """This test's own copy, where it asks for the furnished shop."""
    if "shop" not in request.fixturenames:
        return None
    return copy.deepcopy(request.getfixturevalue("furniture_of_the_session"))


@pytest.fixture
def site(furniture, db) -> Site:
    return furniture.shop.site if furniture else north_yard()


@pytest.fixture
def technician(furniture, site) -> User:
    return furniture.technician if furniture else ines(site)


@pytest.fixture
def counter(furniture, site) -> User:
    return furniture.counter if furniture else tobi(site)


@pytest.fixture
def workshop(furniture, site, tech) -> Workshop:
    return furniture.shop.workshop if furniture else make_workshop(site, tech)


@pytest.fixture
def shop(furniture_of_the_session, furniture) -> Furnished:
    """It names the session's too: so that its transaction begins before the test's."""
    return furniture.shop
