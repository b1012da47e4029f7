"""One plan for the whole shop over the API: asked for, accepted, carried from bay to bay, fitted."""

from inventory.models import Balance, PlaceKind
from inventory.selectors.audit import audit
from shop.background.work import work_once
from tests.api.world import length, thou


def three_bays(world) -> list[str]:
    """Bay 1 waits for a size that nobody has; bay 2 wants what bay 1 pulls; bay 3 is served from a bin."""
    world.shop.stock(("2.575", "used", 1))
    found = (
        ({"1-IN": "5", "2-IN": "5"}, {"1-IN": "2.650", "2-IN": "2.900"}),
        ({"1-IN": "11", "2-IN": "8"}, {"1-IN": "2.575"}),
        ({"1-IN": "5", "2-IN": "8"}, {"1-IN": "2.651"}),
    )
    jobs = []
    for passes, shims in found:
        job = world.job()
        all_of = {"1-EX": "12", "2-EX": "12"} | passes
        readings = {label: {"passes": thou(figure)} for label, figure in all_of.items()}
        world.program.done(f"{job}/readings", {"readings": readings})
        keyed = {
            label: {"thickness": length(figure), "known_by": "measured"} for label, figure in shims.items()
        }
        world.program.done(f"{job}/shims", {"shims": keyed})
        jobs.append(job)
    return jobs


def made(world) -> str:
    """The address of a plan that was asked for and made."""
    response = world.program.post("/shop-plans", {})
    assert response.status_code == 202
    where = response["Location"].removeprefix("/api/v1")
    work_once()
    task = world.program.get(where).json()
    assert (task["state"], task["kind"]) == ("done", "plan_shop")
    return f"/shop-plans/{task['result']['shop_plan']}"


def test_three_engines(world):
    jobs = three_bays(world)
    ids = [job.rpartition("/")[2] for job in jobs]
    plan = made(world)
    shown = world.program.get(plan).json()
    assert shown["state"] == "proposed"
    assert {entry["job"]: entry["completed"] for entry in shown["plan"]["jobs"]} == dict(
        zip(ids, (False, True, True), strict=True)
    )
    proof = shown["plan"]["proof"]
    assert (proof["unproven"], proof["gap"]) == (None, 0)
    # One new and one used shim at 3.40 and half of that, four openings, two days of bay 1.
    cost = shown["plan"]["cost"]
    assert (cost["shims"], cost["labour"], cost["waiting"], cost["total"]) == (
        "5.10",
        "60.00",
        "320.00",
        "385.10",
    )
    (move,) = [entry for entry in shown["plan"]["hand_overs"] if entry["to_job"] == ids[1]]
    assert (move["from_job"], move["from_valve"], move["to_valve"]) == (ids[0], "1-IN", "1-IN")
    assert world.program.done(f"{plan}/accept")["state"] == "accepted"

    taker = world.program.get(jobs[1]).json()
    (line,) = [line for line in taker["plan"]["valves"] if line["action"] != "keep"]
    assert line["shim"] == {"thickness": length("2.65"), "from": {"valve": "1-IN", "job": ids[0]}}
    (promised,) = [row for row in taker["hand_overs"] if row["to"]["job"] == ids[1]]
    assert promised["state"] == "promised"
    refused = world.program.act(f"{jobs[1]}/fit")
    assert (refused.status_code, refused.json()["type"].rpartition("/")[2]) == (409, "wrong-state")
    for job in jobs:
        for row in world.program.get(job).json()["hand_overs"]:
            if row["state"] == "promised":
                world.program.done(f"{job}/hand-over", {"hand_over": row["id"]})
    for job in jobs[1:]:
        world.program.done(f"{job}/fit")
        world.program.done(f"{job}/readings", world.after)
        world.program.done(f"{job}/sign-off")
    rows = {row["id"]: row for row in world.program.get(jobs[1]).json()["hand_overs"]}
    assert rows[promised["id"]]["state"] == "fitted"
    world.program.done(f"{jobs[0]}/stop", {"note": "sold as it is"})
    assert audit() == []
    trays = Balance.objects.filter(place__kind=PlaceKind.TRAY)
    assert not trays.exclude(on_hand=0).exists()
    assert not trays.exclude(held=0).exists()


def test_what_changed_is_said(world):
    jobs = three_bays(world)
    plan = made(world)
    world.program.done(f"{jobs[1]}/readings", {"readings": {"1-IN": {"passes": thou("8")}}})
    seen = world.program.get(plan)
    assert seen.json()["state"] == "stale"
    refused = world.program.post(f"{plan}/accept", {}, if_match=seen["ETag"])
    problem = refused.json()
    assert (refused.status_code, problem["type"].rpartition("/")[2]) == (409, "plan-stale")
    assert "Job 2" in problem["detail"]
    assert problem["detail"].endswith("Make a new plan.")


def test_another_hand_over_is_404(world):
    promised = world.promised()
    other = world.job()
    refused = world.program.act(f"{other}/hand-over", {"hand_over": str(promised.pk)})
    assert refused.status_code == 404
