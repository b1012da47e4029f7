"""Between the end of a hold's time and the sweep: what programs read agrees, and with what they may do."""

from datetime import timedelta

import pytest

from inventory.models import Balance, Hold
from tests.api.world import length, thou

pytestmark = pytest.mark.django_db


@pytest.fixture
def over(world, time_machine):
    """A hold of two of the shims that a plan wants, a minute past its time; no sweep has come by."""
    made = world.hold(lines=[world.line(quantity=2)], expires_in=60)
    stands = Hold.objects.get(pk=made["id"])
    time_machine.move_to(stands.expires_at + timedelta(seconds=50), tick=False)
    return stands


def stock(world, hold):
    line = hold.lines.select_related("place").get()
    (lot,) = world.program.get(f"/stock?bin={line.place.code}&condition=new").json()["items"]
    return lot


def test_it_is_expired_and_its_shims_are_there(world, over):
    books = Balance.objects.get(place=over.lines.get().place_id, condition="new")
    told = world.program.get(f"/holds/{over.pk}").json()
    assert (told["state"], told["resolved_at"], told["resolved_by"]) == (
        "expired",
        told["expires_at"],
        "Coldgap",
    )
    found = {
        state: {item["id"] for item in world.program.get(f"/holds?state={state}").json()["items"]}
        for state in ("held", "expired", "released")
    }
    assert [str(over.pk) in found[state] for state in ("held", "expired", "released")] == [False, True, False]
    lot = stock(world, over)
    assert (lot["held"], lot["available"]) == (books.held - 2, books.on_hand - books.held + 2)
    books.refresh_from_db()
    assert Hold.objects.get(pk=over.pk).state == "held"  # looking has written nothing


def test_nothing_can_be_done_with_it_and_its_shims_can_be_held(world, over):
    tag = world.program.get(f"/holds/{over.pk}")["ETag"]
    refused = world.program.post(f"/holds/{over.pk}/fit", {}, if_match=tag)
    assert (refused.status_code, refused.json()["type"].rpartition("/")[2]) == (409, "hold-expired")
    free = stock(world, over)["available"]
    made = world.hold(lines=[world.line(quantity=free)])
    assert made["state"] == "held"
    assert stock(world, over)["available"] == 0
    assert Hold.objects.get(pk=over.pk).state == "expired"


def test_a_plan_takes_them(world, time_machine):
    """All of the site's shims that would do are held, until the time of that is over."""
    valve = {
        "label": "1-IN",
        "spec": {"min": thou("6"), "max": thou("8")},
        "clearance": {"passes": thou("7")},
        "adjust": "always",
        "shim": {"thickness": length("2.575"), "known_by": "marked"},
    }
    body = {"family": world.family, "site": "north", "catalogue": [], "valves": [valve]}

    def action():
        (told,) = world.program.post("/plans", body).json()["valves"]
        return told["action"], told["shim"] and told["shim"]["from"]

    taken, found = action()
    assert taken == "stock"
    for _ in range(20):
        if taken != "stock":
            break
        lots = world.program.get(f"/stock?bin={found['bin']}&family={world.family}").json()["items"]
        lines = [
            {name: lot[name] for name in ("family", "thickness", "condition", "bin")}
            | {"quantity": lot["available"]}
            for lot in lots
            if lot["available"]
        ]
        held = world.hold(lines=lines, expires_in=60)
        taken, found = action()
    assert taken == "unresolved"
    time_machine.move_to(Hold.objects.get(pk=held["id"]).expires_at, tick=False)
    assert action()[0] == "stock"
