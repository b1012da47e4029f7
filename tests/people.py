"""The people and sites of the tests. `outsider` is a manager too, but of the other site."""

import pytest

from inventory.services.sites import open_site
from shop.models import Membership, Role, Site, User


def person(username: str, display_name: str, site: Site, role: str) -> User:
    """Somebody with one role at one site and no password: tests log in by `force_login`."""
    user = User(username=username, display_name=display_name, email=f"{username}@shop.example")
    user.set_unusable_password()
    user.save()
    Membership.objects.create(user=user, site=site, role=role)
    return user


def north_yard() -> Site:
    return open_site(code="north", name="North Yard")


def ines(site: Site) -> User:
    return person("ines", "Ines Varga", site, Role.TECHNICIAN)


def tobi(site: Site) -> User:
    return person("tobi", "Tobi Lund", site, Role.COUNTER)


@pytest.fixture
def site(db) -> Site:
    return north_yard()


@pytest.fixture
def other_site(db) -> Site:
    return open_site(code="harbour", name="Harbour Street")


@pytest.fixture
def technician(site) -> User:
    return ines(site)


@pytest.fixture
def counter(site) -> User:
    return tobi(site)


@pytest.fixture
def manager(site) -> User:
    return person("mara", "Mara Quist", site, Role.MANAGER)


@pytest.fixture
def outsider(other_site) -> User:
    return person("odo", "Odo Brandt", other_site, Role.MANAGER)
