"""Between the end of a hold's time and the sweep: what programs read agrees, and with what they may do."""

import json
from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.models import Balance, Hold
from inventory.services.holds import expire_due_holds
from tests.api.world import length, thou
from tests.api.writes import operations

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


def asked_plan(world):
    """For one valve that a shim near 2.575 mm would do for, from what is there."""
    valve = {
        "label": "1-IN",
        "spec": {"min": thou("6"), "max": thou("8")},
        "clearance": {"passes": thou("7")},
        "adjust": "always",
        "shim": {"thickness": length("2.575"), "known_by": "marked"},
    }
    return {"family": world.family, "site": "north", "catalogue": [], "valves": [valve]}


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


# What the mix and the minimums have available follows with the sweep, as a job's state does.
FOLLOWS = ("/stock-mix", "/stock-minimums")


def told(world, hold):
    """All that a program can read: every list, everything of the hold, of its bin and of its family, and the
    histories as files; by address, without what is another each time."""
    place = hold.lines.get().place_id
    kept = {
        "<slug:code>": world.family,
        "/bins/<uuid:id>": f"/bins/{place}",
        "/holds/<uuid:id>": f"/holds/{hold.pk}",
    }
    seen = {}
    for method, route, declared in operations():
        for part, this in kept.items():
            route = route.replace(part, this)
        readable = declared.kind in ("list", "show") or route.endswith("/file")
        if method != "get" or not readable or "<" in route or route.startswith(FOLLOWS):
            continue
        answer = world.program.get(route)
        if answer.status_code == 200:
            seen[route] = b"".join(answer) if answer.streaming else answer.content
    for state in ("held", "expired", "released", "fitted"):
        seen[state] = world.program.get(f"/holds?state={state}").content
    seen["plan"] = world.program.post("/plans", asked_plan(world)).content
    return seen


def test_the_sweep_changes_nothing_of_what_is_told(world, over):
    """To the byte: what is read in the minute before it is what is read after it."""
    before = told(world, over)
    assert len(before) > 45
    expire_due_holds(site=world.site, at=timezone.now())
    assert Hold.objects.get(pk=over.pk).state == "expired"
    after = told(world, over)
    assert {route for route in before if before[route] != after.get(route)} == set()
    ends = [
        row
        for row in json.loads(after[f"/bins/{over.lines.get().place_id}/history"])["items"]
        if row["kind"] == "hold"
    ]
    assert [(row["what"], row["by"]) for row in ends[:1]] == [("Hold expired", "Coldgap")]


def test_nothing_can_be_done_with_it_and_its_shims_can_be_held(world, over):
    for tag in (world.program.get(f"/holds/{over.pk}")["ETag"], '"0123456789abcdef"', "*"):
        refused = world.program.post(f"/holds/{over.pk}/fit", {}, if_match=tag)
        assert (refused.status_code, refused.json()["type"].rpartition("/")[2]) == (409, "hold-expired")
    free = stock(world, over)["available"]
    made = world.hold(lines=[world.line(quantity=free)])
    assert made["state"] == "held"
    assert stock(world, over)["available"] == 0
    assert Hold.objects.get(pk=over.pk).state == "expired"


def test_a_plan_takes_them(world, time_machine):
    """All of the site's shims that would do are held, until the time of that is over."""

    def action():
        (valve,) = world.program.post("/plans", asked_plan(world)).json()["valves"]
        return valve["action"], valve["shim"] and valve["shim"]["from"]

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
