"""What happened to a bin, a size, a job's shims or by a person: the same as the pages tell, page by page."""

from datetime import datetime, timedelta

import pytest

from inventory.models import Movement, PlaceEvent
from tests.api.counting import differing, opened
from tests.api.test_pages_of_lists import walk
from tests.api.test_query_counts import queries

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(world):
    """A job with a fit, in a shop where there were counts, holds and an inspection."""
    differing(world, thickness="2.625")
    world.program.done(f"{opened(world, '2.575')}/cancel")
    hold = world.hold(lines=[world.line(), world.line("2.600", "used")])
    world.program.done(f"/holds/{hold['id']}/release")
    world.at_inspection()
    return world.fitted()


@pytest.fixture
def addresses(world, job):
    bin_ = f"/bins/{world.shop.bin('2.575').pk}"
    return [
        f"{bin_}/history",
        f"{job}/history",
        f"/shim-families/{world.family}/history",
        "/history/by-person",
    ]


def test_newest_first_and_each_once_in_pages_of_any_size(world, addresses):
    for path in addresses:
        whole = world.program.get(f"{path}?limit=200").json()["items"]
        assert len(whole) >= 3, path
        times = [datetime.fromisoformat(item["at"]) for item in whole]
        assert times == sorted(times, reverse=True)
        for limit in (1, 2, 7):
            assert walk(world.program, path, limit) == whole, (path, limit)


def test_also_where_everything_happened_in_one_moment_and_where_a_clock_was_put_back(world, addresses):
    moment = Movement.objects.order_by("-pk").first().at
    for change in (timedelta(), timedelta(days=-1)):
        # As an older clock had it; the ledger's rows themselves are never changed.
        PlaceEvent.objects.update(at=moment + change)
        for path in addresses:
            whole = world.program.get(f"{path}?limit=200").json()["items"]
            assert walk(world.program, path, 1) == whole, path


def test_the_pages_tell_the_same(client, manager, world, job):
    client.force_login(manager)
    place = world.shop.bin("2.575")
    here = f"/at/{world.site.code}"
    for page, path in (
        (f"{here}/history/of/bin/{place.pk}", f"/bins/{place.pk}/history"),
        (f"{here}{job}/history", f"{job}/history"),
        (
            f"{here}/history/of/size/{world.family}-2575000",
            f"/shim-families/{world.family}/history?thickness=2.575mm",
        ),
        (f"{here}/history/of/person/{manager.pk}", f"/history/by-person?person={manager.username}"),
    ):
        shown = client.get(page).context["happenings"]
        told = world.program.get(path).json()["items"][: len(shown)]
        assert [(entry.what, entry.by, entry.text) for entry in shown] == [
            (item["what"], item["by"], item["text"]) for item in told
        ], path
        assert {item["movement"] for item in told if item["kind"] == "movement"} == {
            str(entry.movement) for entry in shown if entry.movement
        }


def test_by_whom_and_of_which_size(world, job, calculator):
    mine = world.program.get("/history/by-person?limit=200").json()["items"]
    assert mine == world.program.get("/history/by-person?person=mara&site=north&limit=200").json()["items"]
    assert all("Mara Quist" in item["by"] for item in mine)
    path = f"/shim-families/{world.family}/history?limit=200"
    whole = world.program.get(path).json()["items"]
    sizes = {
        size: world.program.get(f"{path}&thickness={size}mm").json()["items"] for size in ("2.575", "2.600")
    }
    assert all(items and len(items) < len(whole) for items in sizes.values())
    assert all("2.575" in item["text"] for item in sizes["2.575"] if item["kind"] == "movement")
    kinds = {item["kind"] for item in whole}
    assert kinds >= {"movement", "hold"}
    for item in whole:
        if item["kind"] == "hold":
            assert world.program.get(f"/holds/{item['thing']}").status_code == 200


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("thickness=2.580mm", "the nearest made size is 2.575 mm"),
        ("thickness=0.1043mm", "0.1043 in (2.64922 mm) was probably meant"),
    ],
)
def test_a_size_that_is_none_is_told_what_would_be(world, query, says):
    refused = world.program.get(f"/shim-families/{world.family}/history?{query}")
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (400, "?thickness")
    assert says in refused.json()["errors"][0]["detail"]


def test_another_sites_is_not_there(world, addresses, stranger):
    bin_, job, family, person = addresses
    assert [stranger.get(path).status_code for path in (bin_, job)] == [404, 404]
    assert stranger.get(family).json()["items"] == stranger.get(person).json()["items"] == []
    assert stranger.get("/history/by-person?person=mara").status_code == 404
    assert world.program.get("/history/by-person?site=harbour").status_code == 404


def test_as_many_queries_for_many(world, addresses):
    for path in addresses:
        few, _ = queries(world.program, f"{path}?limit=1")
        many, _ = queries(world.program, f"{path}?limit=200")
        assert few == many <= 16, path
