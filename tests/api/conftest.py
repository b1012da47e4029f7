"""Programs with keys, and a small shop for them to work in."""

from datetime import timedelta

import pytest

from api import limits
from tests.api.program import Program, program
from tests.api.world import World, make_world
from tests.jobs.shop import AT


def pytest_ignore_collect(collection_path, config):
    """What drives Schemathesis is looked at only where its plugin is loaded: in its own step."""
    alone = collection_path.name == "test_fuzz.py" and not config.pluginmanager.hasplugin("schemathesis")
    return True if alone else None


@pytest.fixture(autouse=True)
def fresh_limits() -> None:
    limits.here.clear()


@pytest.fixture
def calculator(manager, site) -> Program:
    """A program with every scope, in the name of the site's manager."""
    return program(manager, site)


@pytest.fixture
def stranger(outsider, other_site) -> Program:
    """The same for the other site."""
    return program(outsider, other_site)


@pytest.fixture
def world(site, calculator, settings) -> World:
    """Its webhooks may be told on this machine."""
    settings.COLDGAP = settings.COLDGAP | {"WEBHOOK_ALLOW_PRIVATE": ["127.0.0.0/8"]}
    return make_world(site, calculator)


@pytest.fixture
def autumn(time_machine) -> None:
    """Two hundred days after the drawers were filled, so that every bin is due to be counted."""
    time_machine.move_to(AT + timedelta(days=200), tick=False)
