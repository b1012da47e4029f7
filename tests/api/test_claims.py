"""Claims by hand over the API: over what came, at most so many, of this site's own deliveries."""

import pytest

from tests.api.writes import CASES

pytestmark = pytest.mark.django_db


@pytest.fixture
def claim(world):
    """(address, body) of a claim for the one shim that came beyond an order of two."""
    return CASES["open_claim"](world)


def test_is_found_with_its_reason_and_goes_on_as_others_do(world, claim):
    made = world.program.done(*claim)
    said = (made["kind"], made["quantity"], made["state"], made["reason"], made["currency"])
    assert said == ("over", 1, "open", "one more than ordered", "EUR")
    settled = world.program.done(f"/supplier-claims/{made['id']}/settle", {"outcome": "refused"})
    assert (settled["state"], settled["reason"]) == ("refused", "one more than ordered")


@pytest.mark.parametrize(
    ("more", "pointer", "status"),
    [
        ({"quantity": 4}, "/quantity", 400),
        ({"line": "0190b0a0-0000-7000-8000-000000000000"}, "/line", 400),
        ({"receipt": "0190b0a0-0000-7000-8000-000000000000"}, "/receipt", 404),
        ({"kind": "late"}, "/kind", 400),
        ({"reason": ""}, "/reason", 400),
    ],
)
def test_what_cannot_be_is_named(world, claim, more, pointer, status):
    path, body = claim
    response = world.program.post(path, body | more)
    assert response.status_code == status
    assert [error["pointer"] for error in response.json()["errors"]] == [pointer]
    assert world.program.get("/supplier-claims").json()["items"] == []


def test_a_delivery_of_another_site_is_not_there(world, claim, stranger):
    response = stranger.post(*claim)
    assert response.status_code == 404
    assert response.json()["errors"][0]["pointer"] == "/receipt"
