"""POST /holds/{id}/take-over: a manager takes what is held for one for another."""

import pytest

from inventory.models import Hold
from shop.models import Role
from tests.api.program import program
from tests.people import person

pytestmark = pytest.mark.django_db
WHY = {"reason": "the customer waits"}


@pytest.fixture
def hold(world):
    return world.hold(reference="order 1", lines=[world.line(quantity=2), world.line("2.600", "used")])


def take(world, hold, by=None, **body):
    path = f"/holds/{hold['id']}"
    tag = world.program.get(path)["ETag"]
    return (by or world.program).post(f"{path}/take-over", WHY | body, if_match=tag)


def test_all_of_it(world, hold):
    answer = take(world, hold, reference="order 2", expires_in=90).json()
    assert answer["state"] == "released"
    told = answer["taken_over"]
    assert (told["reason"], told["rest"]) == ("the customer waits", None)
    assert "Mara Quist" in told["by"]
    new = world.program.get(f"/holds/{told['hold']}").json()
    assert (new["reference"], new["state"], new["taken_over"]) == ("order 2", "held", None)
    assert [line["quantity"] for line in new["lines"]] == [2, 1]


def test_some_lines_for_a_job_the_others_are_held_on(world, hold):
    job = world.job().rpartition("/")[2]
    told = take(world, hold, job=job, positions=[1]).json()["taken_over"]
    new, rest = (world.program.get(f"/holds/{told[name]}").json() for name in ("hold", "rest"))
    assert (new["job"], [line["condition"] for line in new["lines"]]) == (job, ["used"])
    assert (rest["reference"], rest["expires_at"]) == ("order 1", hold["expires_at"])
    assert [line["quantity"] for line in rest["lines"]] == [2]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"reference": "order 1"}, "/reference"),
        ({"reference": "order 2", "positions": [7]}, "/positions"),
        ({}, "/reference"),
        ({"reference": "order 2", "reason": " "}, "/reason"),
        ({"reference": "order 2", "positions": []}, "/positions"),
    ],
)
def test_bad_input(world, hold, body, pointer):
    refused = take(world, hold, **body)
    assert refused.status_code == 400
    assert [error["pointer"] for error in refused.json()["errors"]] == [pointer]
    assert Hold.objects.get(pk=hold["id"]).state == "held"


@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.COUNTER])
def test_only_a_manager(world, hold, role):
    refused = take(
        world, hold, program(person("kim", "Kim", world.site, role), world.site), reference="order 2"
    )
    assert refused.status_code == 403
    assert refused.json()["type"] == "/api/problems/forbidden"


def test_another_sites_hold_or_job_is_not_there(world, hold, stranger):
    assert take(world, hold, stranger, reference="order 2").status_code == 404
    refused = take(world, hold, job="0190b0a0-0000-7000-8000-000000000000")
    assert refused.status_code == 404


def test_one_that_is_over(world, hold):
    world.program.done(f"/holds/{hold['id']}/release")
    refused = take(world, hold, reference="order 2")
    assert refused.status_code == 409
    assert refused.json()["state"] == "released"


def test_a_repeat_takes_once_and_a_stale_tag_nothing(world, hold):
    path = f"/holds/{hold['id']}"
    tag = world.program.get(path)["ETag"]
    body = WHY | {"reference": "order 2"}
    first, again = (world.program.post(f"{path}/take-over", body, key="k", if_match=tag) for _ in range(2))
    assert (first.status_code, again.content) == (200, first.content)
    assert Hold.objects.filter(reference="order 2").count() == 1
    assert world.program.post(f"{path}/take-over", body, if_match=tag).status_code == 412


def test_holds_are_found_by_every_filter(world, hold):
    other = world.hold(reference="order 9", lines=[world.line("2.625")], expires_in=60)

    def found(query):
        return [item["reference"] for item in world.program.get(f"/holds?{query}").json()["items"]]

    both = ["order 9", "order 1"]
    made = other["created_at"].replace("+", "%2B")
    ends = other["expires_at"].replace("+", "%2B")
    assert found("thickness_min=2.6mm") == both
    assert found("thickness_min=2.61mm") == ["order 9"]
    assert found("thickness_max=2.58mm") == ["order 1"]
    assert found("thickness_min=2.58mm&thickness_max=2.59mm") == []
    assert found(f"family={world.family}") == both
    assert found("family=none") == []
    assert found(f"bin={world.bin('2.625')}") == ["order 9"]
    assert found(f"expires_before={ends}") == []
    assert found("expires_before=2100-01-01T00:00:00Z") == both
    assert found("handed_out=false") == both
    assert found("handed_out=true") == []
    assert found(f"from={made}") == ["order 9"]
    assert found(f"to={made}") == ["order 1"]
    assert found("created_by=nobody") == []
    assert found("created_by=" + other["created_by"].replace(" ", "%20")) == both


def test_the_job_that_loses_its_shims_is_planned_from_then_on(world):
    """Asked right after, in no time for anybody's sweep."""
    path = world.held()
    (hold,) = world.program.get(path).json()["holds"]
    take(world, hold, reference="shelf")
    job = world.program.get(path).json()
    assert (job["state"], job["plan"]["state"]) == ("planned", "stale")
    because = job["plan"]["stale_because"]
    assert "Taken over for shelf by " in because
    assert because.endswith("(key of Mara Quist): the customer waits.")
    assert not {"hand_out_job", "fit_job"} & set(job["may"])
    refused = world.program.post(f"{path}/hand-out", {}, if_match=world.program.get(path)["ETag"]).json()
    assert (refused["type"], refused["state"]) == ("/api/problems/wrong-state", "planned")


def test_so_it_is_when_they_are_given_free(world):
    path = world.held()
    (hold,) = world.program.get(path).json()["holds"]
    world.program.done(f"/holds/{hold['id']}/release", {"note": "sold"})
    assert world.program.get(path).json()["state"] == "planned"
