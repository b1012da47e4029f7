"""Refusals of acts with several lines name the body's own fields, by the place where they stand."""

import uuid

import pytest

from inventory.models import Hold, Place, PurchaseList
from tests.api.world import length

pytestmark = pytest.mark.django_db


def errors_of(response, status):
    assert response.status_code == status, response.content
    return {error["pointer"]: error["detail"] for error in response.json()["errors"]}


class TestFitHold:
    @pytest.fixture
    def hold(self, world):
        lines = [world.line(quantity=2), world.line("2.600", "used")]
        return f"/holds/{world.hold(lines=lines)['id']}"

    def fit(self, world, hold, *lines):
        body = {"lines": [{"position": position, "fitted": fitted} for position, fitted in lines]}
        return world.program.act(f"{hold}/fit", body)

    def test_a_line_named_twice_is_refused_whatever_it_says(self, world, hold):
        for again in (0, 1, 2):
            errors = errors_of(self.fit(world, hold, (0, 1), (1, 1), (0, again)), 400)
            assert errors == {"/lines/2/position": "line 0 is named before; name each line once"}
        assert Hold.objects.get(pk=hold.rpartition("/")[2]).state == "held"

    def test_each_line_named_once_is_booked(self, world, hold):
        assert self.fit(world, hold, (1, 1), (0, 2)).json()["state"] == "fitted"

    def test_too_many_are_named_where_they_stand_in_the_body(self, world, hold):
        errors = errors_of(self.fit(world, hold, (1, 1), (0, 3)), 422)
        assert errors == {"/lines/1/fitted": "3 fitted, 2 held"}

    def test_a_line_that_the_hold_has_not(self, world, hold):
        errors = errors_of(self.fit(world, hold, (1, 1), (7, 1)), 422)
        assert errors == {"/lines/1/position": "the hold has no such line"}


class TestReceivePurchase:
    @pytest.fixture
    def bought(self, world):
        body = {
            "supplier": "norrbeck",
            "lines": [world.size(quantity=2), world.size() | {"thickness": world.line("2.625")["thickness"]}],
        }
        return world.program.done("/purchase-lists", body)

    def receive(self, world, bought, *lines):
        keys = ("line", "quantity", "bin")
        body = {"lines": [dict(zip(keys, line, strict=False)) for line in lines]}
        return world.program.act(f"/purchase-lists/{bought['id']}/receive", body)

    def test_more_than_is_outstanding_is_named_by_its_place_in_the_body(self, world, bought):
        first, second = (line["id"] for line in bought["lines"])
        of_first = bought["lines"][0]["quantity"]
        errors = errors_of(self.receive(world, bought, (second, 1), (first, of_first + 1)), 400)
        assert list(errors) == ["/lines/1/quantity"]
        assert errors["/lines/1/quantity"].endswith(f"{of_first} outstanding")

    def test_nothing_at_all(self, world, bought):
        errors = errors_of(self.receive(world, bought, (bought["lines"][0]["id"], 0)), 400)
        assert errors == {"/lines": "say how many came"}

    def test_a_line_of_no_list(self, world, bought):
        known = bought["lines"][0]["id"]
        errors = errors_of(self.receive(world, bought, (known, 1), (str(uuid.uuid4()), 1)), 404)
        assert errors == {"/lines/1/line": "the list has no such line"}

    def test_one_line_into_two_bins(self, world, bought):
        line = bought["lines"][0]["id"]
        one, other = world.bin("2.700"), world.bin("2.625")
        errors = errors_of(self.receive(world, bought, (line, 1, one), (line, 1, other)), 400)
        assert list(errors) == ["/lines/1/bin"]
        assert PurchaseList.objects.get().lines.filter(received__gt=0).count() == 0

    def test_a_line_for_which_a_job_waits_and_that_no_bin_takes(self, world):
        world.need()
        bought = world.bought()
        Place.objects.filter(site=world.site, kind="bin").update(family=None)
        errors = errors_of(self.receive(world, bought, (bought["lines"][0]["id"], 1)), 400)
        assert list(errors) == ["/lines/0/bin"]
        assert "for which Job 1 waits" in errors["/lines/0/bin"]


class TestReadings:
    def test_wrong_lengths_and_leaves_in_the_wrong_order_are_named_together(self, world):
        readings = {
            "1-IN": {"passes": length("8")},
            "2-IN": {"passes": length("0.20"), "stops": length("0.15")},
        }
        errors = errors_of(world.program.act(f"{world.job()}/readings", {"readings": readings}), 400)
        assert errors.keys() == {"/readings/1-IN/passes", "/readings/2-IN/stops"}
        assert "thinnest leaf that does not go through" in errors["/readings/2-IN/stops"]
