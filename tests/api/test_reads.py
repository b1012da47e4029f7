"""What readers see beside the lists: renderers by hand against their shapes, sizes, tasks, times, lengths."""

import contextlib
from datetime import timedelta

import pytest
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from api.fields import read_length
from api.stock import COLUMNS, StockSerializer, render
from inventory.compute.lengths import LengthError, Unit
from inventory.models import Balance
from shop.models import Task
from tests.api.world import length


def test_stock_by_hand_is_stock_by_its_shape(world):
    rows = Balance.objects.filter(place__kind="bin").values(*COLUMNS)
    assert rows
    for row in rows:
        told = render(row)
        assert set(told) == set(StockSerializer().fields)
        assert told["available"] == told["on_hand"] - told["held"]


def test_held_shims_are_not_available(world):
    world.hold(lines=[world.line(quantity=3)])
    (row,) = world.program.get("/stock?thickness_max=2.58mm").json()["items"]
    assert (row["on_hand"], row["held"], row["available"]) == (20, 3, 17)


def test_a_familys_sizes_with_their_markings(world):
    sizes = world.program.get(f"/shim-families/{world.family}/sizes").json()["sizes"]
    assert len(sizes) == 49
    assert sizes[0] == {"thickness": length("2"), "marking": "2000"}
    assert sizes[-1] == {"thickness": length("3.2"), "marking": "3200"}


def test_what_was_keyed_is_seen_again_as_it_was_keyed(world):
    job = world.job()
    keyed = {"passes": length("0.0050", "in"), "stops": length("152.4", "um")}
    world.program.done(f"{job}/readings", {"readings": {"1-IN": keyed}})
    world.program.done(
        f"{job}/shims", {"shims": {"1-IN": {"thickness": length("2.6500"), "known_by": "marked"}}}
    )
    (valve,) = [valve for valve in world.program.get(job).json()["valves"] if valve["label"] == "1-IN"]
    assert {name: valve["reading"][name] for name in keyed} == keyed
    assert valve["shim"] == {"thickness": length("2.6500"), "known_by": "marked"}
    assert valve["spec"] == {"min": length("0.006", "in"), "max": length("0.010", "in")}


def test_times_are_utc_by_iso_8601(world):
    hold = world.hold()
    assert hold["created_at"].endswith("Z")
    assert "T" in hold["created_at"]
    body = world.job_body() | {"promised_at": "2030-01-05T09:00:00+02:00"}
    assert world.program.done("/jobs", body)["promised_at"] == "2030-01-05T07:00:00Z"


@pytest.mark.parametrize(
    "moment",
    ["2030-01-05", "2030-01-05T09:00:00", "tomorrow", "1990-01-01T00:00:00Z", "9999-12-31T23:59:59Z", ""],
)
def test_a_time_without_offset_or_sense_is_refused(world, moment):
    response = world.program.post("/jobs", world.job_body() | {"promised_at": moment})
    assert response.status_code == 400
    assert response.json()["errors"][0]["pointer"] == "/promised_at"


def test_a_task_is_seen_at_its_site_and_by_whoever_asked(world, stranger, manager):
    at = timezone.now()
    asked = {"kind": "purge_background", "created_at": at, "run_after": at + timedelta(days=1)}
    ours = Task.objects.create(site=world.site, **asked)
    own = Task.objects.create(created_by=manager, **asked)
    for task in (ours, own):
        assert world.program.get(f"/tasks/{task.pk}").json()["state"] == "queued"
        assert stranger.get(f"/tasks/{task.pk}").status_code == 404


class TestLengths:
    @given(
        st.integers(min_value=-(10**15), max_value=10**15),
        st.integers(min_value=0, max_value=6),
        st.sampled_from(list(Unit)),
    )
    def test_an_object_in_is_the_same_object_out(self, digits, decimals, unit):
        """Bar A12: whatever is taken is given back digit for digit."""
        sign, text = ("-" if digits < 0 else ""), f"{abs(digits):0{decimals + 1}d}"
        value = sign + (f"{text[:-decimals]}.{text[-decimals:]}" if decimals else text)
        try:
            taken = read_length({"value": value, "unit": unit.value})
        except LengthError:
            return
        assert taken.as_json() == {"value": value, "unit": unit.value}

    @given(
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(st.sampled_from(["value", "unit", "x"]), inner, max_size=3)
            ),
            max_leaves=6,
        )
    )
    def test_anything_else_is_refused_and_never_breaks(self, value):
        with contextlib.suppress(LengthError):
            assert set(read_length(value).as_json()) == {"value", "unit"}
