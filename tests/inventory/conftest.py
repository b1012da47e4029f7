"""A small catalogue and cabinet, and actors for the people of tests/people.py."""

from datetime import UTC, datetime

import pytest

from inventory.compute.lengths import parse
from inventory.models import Condition, PlaceKind
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_bin, add_family, add_tray
from inventory.services.floor import Shims, receive_shims
from shop.actor import actor_for_user, service_actor

AT = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


@pytest.fixture
def at():
    return AT


@pytest.fixture
def service():
    return service_actor()


@pytest.fixture
def clerk(counter):
    return actor_for_user(counter, request_id="req-clerk")


@pytest.fixture
def tech(technician):
    return actor_for_user(technician, request_id="req-tech")


@pytest.fixture
def boss(manager):
    return actor_for_user(manager, request_id="req-boss")


@pytest.fixture
def stranger(outsider):
    return actor_for_user(outsider)


@pytest.fixture
def family(db, service):
    return add_family(
        actor=service,
        code="disc29",
        name="29 mm disc",
        form="disc_over",
        marking="thousandths",
        diameter=parse("29.0", "mm"),
        thinnest=parse("2.000", "mm"),
        thickest=parse("3.200", "mm"),
        step=parse("0.025", "mm"),
    )


@pytest.fixture
def bins(site, service, family):
    return [
        add_bin(
            site=site,
            actor=service,
            at=AT,
            code=f"A{n}",
            cabinet="A",
            row=1,
            column=n,
            family=family,
            size_nm=2_600_000 + 25_000 * n,
        )
        for n in range(1, 5)
    ]


@pytest.fixture
def tray(site, service):
    return add_tray(site=site, actor=service, code="T1")


@pytest.fixture
def receive(site, clerk, family, bins, at):
    """Put `quantity` new shims of the bin's own size into a bin."""

    def put(bin_index: int = 0, quantity: int = 5, condition: str = Condition.NEW):
        place = bins[bin_index]
        return receive_shims(
            site=site,
            actor=clerk,
            at=at,
            shims=[
                Shims(
                    family=family,
                    thickness_nm=place.size_nm,
                    condition=condition,
                    quantity=quantity,
                    place=place,
                )
            ],
            document="delivery 7",
        )

    return put


@pytest.fixture
def places(site):
    return {kind: place_of(site, kind) for kind in PlaceKind if kind not in (PlaceKind.BIN, PlaceKind.TRAY)}
