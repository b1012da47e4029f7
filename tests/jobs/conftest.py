"""Actors for the people of tests/people.py, and the workshop that they work in."""

import pytest

from shop.actor import actor_for_user, service_actor
from tests.jobs.shop import AT, make_workshop


@pytest.fixture
def at():
    return AT


@pytest.fixture
def service():
    return service_actor()


@pytest.fixture
def tech(technician):
    return actor_for_user(technician, request_id="req-tech")


@pytest.fixture
def clerk(counter):
    return actor_for_user(counter, request_id="req-clerk")


@pytest.fixture
def boss(manager):
    return actor_for_user(manager, request_id="req-boss")


@pytest.fixture
def stranger(outsider):
    return actor_for_user(outsider, request_id="req-stranger")


@pytest.fixture
def workshop(site, tech):
    return make_workshop(site, tech)
