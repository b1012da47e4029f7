"""The world of the API's tests made once for all tests of a module, for modules whose tests do not commit.

Such a module imports these fixtures in the place of those of tests/api/conftest.py: each test gets its own
copy of the world and works in a transaction of its own inside the one that holds it.
"""

import copy
import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from django.conf import settings as project_settings
from django.test import override_settings

from shop.models import Role, Site, User
from tests.api.program import Program, program
from tests.api.world import World, make_world
from tests.api.writes import CASES
from tests.lasting import made_once
from tests.people import ines, north_yard, person, tobi

# A test's webhooks may be told on this machine.
LOOPBACK = {"WEBHOOK_ALLOW_PRIVATE": ["127.0.0.0/8"]}


@dataclass
class Premises:
    """The site's people, and the world in which a program works in the manager's name."""

    technician: User
    counter: User
    manager: User
    world: World


def make_premises() -> Premises:
    site = north_yard()
    manager = person("mara", "Mara Quist", site, Role.MANAGER)
    world = make_world(site, program(manager, site))
    return Premises(technician=ines(site), counter=tobi(site), manager=manager, world=world)


def copy_of(world: World) -> World:
    """One that a test may change as it likes."""
    number = next(world.numbers)
    world.numbers = itertools.count(number)
    return World(
        shop=copy.deepcopy(world.shop), program=Program(world.program.text), numbers=itertools.count(number)
    )


@pytest.fixture(scope="module")
def premises_of_the_module(django_db_setup, django_db_blocker) -> Iterator[Premises]:
    with made_once(django_db_blocker, make_premises) as made:
        yield made


@pytest.fixture
def premises(premises_of_the_module, db) -> Premises:
    made = premises_of_the_module
    return Premises(
        technician=copy.deepcopy(made.technician),
        counter=copy.deepcopy(made.counter),
        manager=copy.deepcopy(made.manager),
        world=copy_of(made.world),
    )


@pytest.fixture
def technician(premises) -> User:
    return premises.technician


@pytest.fixture
def counter(premises) -> User:
    return premises.counter


@pytest.fixture
def manager(premises) -> User:
    return premises.manager


@pytest.fixture
def site(premises) -> Site:
    return premises.world.site


@pytest.fixture
def calculator(premises) -> Program:
    return premises.world.program


@pytest.fixture
def world(premises, settings) -> World:
    settings.COLDGAP = settings.COLDGAP | LOOPBACK
    return premises.world


@dataclass
class Case:
    """The world just before a write, and the address and the body to send."""

    world: World
    path: str
    body: dict


@pytest.fixture(scope="class")
def case_of_the_class(declared, premises_of_the_module, django_db_blocker) -> Iterator[Case]:
    """For a class whose tests have the write `declared` as a parameter, of the class's scope."""

    def make() -> Case:
        world = copy_of(premises_of_the_module.world)
        with override_settings(COLDGAP=project_settings.COLDGAP | LOOPBACK):
            path, body = CASES[declared.name](world)
        return Case(world=world, path=path, body=body)

    with made_once(django_db_blocker, make) as made:
        yield made


@pytest.fixture
def case(case_of_the_class, premises, settings) -> Case:
    settings.COLDGAP = settings.COLDGAP | LOOPBACK
    made = case_of_the_class
    return Case(world=copy_of(made.world), path=made.path, body=copy.deepcopy(made.body))
