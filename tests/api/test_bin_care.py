"""Bins cared for over the API: what is said of one that is out of use, or that lost its position."""

import pytest

from tests.api.writes import CASES

pytestmark = pytest.mark.django_db


def test_a_bin_that_is_out_of_use_is_not_said_to_be_missing(world):
    retired = world.program.done(*CASES["retire_bin"](world))
    path, body = CASES["merge_bins"](world)
    refused = world.program.act(path, body | {"target": retired["code"]})
    assert refused.status_code == 400
    (error,) = refused.json()["errors"]
    words = f"{retired['code']} is out of use: bring it back into use, or name another"
    assert (error["pointer"], error["detail"]) == ("/target", words)
    missing = world.program.act(path, body | {"target": "nowhere"}).json()["errors"]
    assert [error["detail"] for error in missing] == [f"there is no bin nowhere at {world.site.name}"]


@pytest.mark.parametrize("act", ["edit", "relocate", "merge", "split", "retire"])
def test_nothing_is_done_to_a_bin_that_is_out_of_use(world, act):
    retired = world.program.done(*CASES["retire_bin"](world))
    path = f"/bins/{retired['id']}"
    if act == "edit":
        refused = world.program.patch(path, {"capacity": 7}, if_match=world.program.get(path)["ETag"])
    else:
        bodies = {
            "relocate": {"cabinet": "Z", "row": 1, "column": 1},
            "merge": {"target": world.bin("2.575")},
            "split": {"code": "Z1", "cabinet": "Z", "row": 1, "column": 1, "family": world.family}
            | {"size": {"value": "2.575", "unit": "mm"}},
            "retire": {"note": "again"},
        }
        refused = world.program.act(f"{path}/{act}", bodies[act])
    assert refused.status_code == 409
    assert refused.json()["detail"] == f"{retired['code']} is out of use: bring it back into use first."
    assert world.program.get(path).json() == retired


def test_a_bin_that_comes_back_without_its_position_says_so_in_its_history(world):
    retired = world.program.done(*CASES["retire_bin"](world))
    position = {name: retired[name] for name in ("cabinet", "row", "column")}
    other = world.program.done("/bins", position | {"code": "R1"})
    back = world.program.done(f"/bins/{retired['id']}/restore", {"note": "mended"})
    assert (back["cabinet"], back["row"], back["column"]) == ("", None, None)
    newest = world.program.get(f"/bins/{retired['id']}/history").json()["items"][0]
    assert newest["text"].startswith(f"Back in use, without a place in a cabinet: {other['code']} is at ")
    assert newest["thing"] == retired["id"]
