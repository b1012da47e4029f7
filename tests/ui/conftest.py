"""People at their browsers: a client per person, and pages by their names."""

from dataclasses import dataclass

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from shop.models import Site, User
from tests.jobs.conftest import at, boss, clerk, service, stranger, tech, workshop
from tests.jobs.shop import AT, HOUR
from tests.ui.furnished import furnish

__all__ = ["at", "boss", "clerk", "service", "stranger", "tech", "workshop"]


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


@pytest.fixture
def shop(workshop, clerk):
    return furnish(workshop, clerk)
