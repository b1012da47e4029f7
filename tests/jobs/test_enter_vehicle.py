import pytest

from jobs.models import Vehicle
from jobs.services.vehicles import enter_vehicle
from shop.errors import Conflict, Invalid, NotFound
from tests.jobs.shop import make_workshop


def enter(workshop, actor, at, **more):
    given = {"registration": "n 204  kx", "description": "touring machine", **more}
    return enter_vehicle(site=workshop.site, actor=actor, at=at, engine_type=workshop.engine, **given)


def test_a_vehicle_is_entered_and_found_however_it_was_keyed(workshop, clerk, at):
    vehicle = enter(workshop, clerk, at)
    assert vehicle.registration == "N 204 KX"
    assert vehicle.engine_type == workshop.engine


def test_the_same_registration_twice_is_refused_and_says_what_it_is(workshop, tech, at):
    enter(workshop, tech, at)
    with pytest.raises(Conflict, match="N 204 KX is known here already: touring machine") as refusal:
        enter(workshop, tech, at, registration="N 204 kx", description="another")
    assert refusal.value.code == "vehicle-known"
    assert Vehicle.objects.count() == 1


def test_another_site_may_know_the_same_registration(workshop, other_site, tech, stranger, at):
    enter(workshop, tech, at)
    enter_vehicle(
        site=other_site,
        actor=stranger,
        at=at,
        registration="N 204 KX",
        description="touring machine",
        engine_type=workshop.engine,
    )
    assert Vehicle.objects.count() == 2


def test_somebody_of_another_site_finds_nothing(workshop, stranger, at):
    with pytest.raises(NotFound):
        enter(workshop, stranger, at)
    assert not Vehicle.objects.exists()


def test_every_wrong_value_is_named_at_once(workshop, tech, at):
    with pytest.raises(Invalid) as refusal:
        enter(workshop, tech, at, registration=" ", description="", note="x" * 401)
    assert [error.pointer for error in refusal.value.errors] == ["/note", "/registration", "/description"]
    assert not Vehicle.objects.exists()


def test_make_workshop_is_what_the_tests_think(site, tech):
    shop = make_workshop(site, tech)
    assert [position.label for position in shop.engine.positions.order_by("order")] == [
        "1-IN",
        "1-EX",
        "2-IN",
        "2-EX",
    ]
