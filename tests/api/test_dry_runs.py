"""Writes of many lines, only tried (bar A8, AIP-163): the same answers and refusals, and no change."""

import pytest

from api.dry_runs import MANY, VALIDATE_ONLY
from api.models import KeptAnswer, TrailEntry
from tests.api.test_every_write import rows, send
from tests.api.writes import CASES, writes

OF_LINES = [
    pytest.param(declared, id=declared.name) for _, declared in writes() if VALIDATE_ONLY in declared.query
]
TRIED = "?validate_only=true"


def kept():
    return KeptAnswer.objects.count(), TrailEntry.objects.count()


def trial(world, declared, path, body, **options):
    if declared.needs_if_match:
        options["if_match"] = world.program.get(path.rpartition("/")[0])["ETag"]
    return world.program.post(path + TRIED, body, **options)


def test_every_write_of_lines_can_be_tried():
    names = {declared.name for _, declared in writes() if MANY & set(declared.body().fields)}
    assert names == {parameter.id for parameter in OF_LINES}
    assert {"set_part_prices", "receive_shims", "hold_shims", "receive_purchase", "move_shims"} <= names


@pytest.mark.parametrize("declared", OF_LINES)
def test_a_trial_answers_as_the_write_does_and_changes_nothing(world, declared):
    path, body = CASES[declared.name](world)
    before, answers = rows(), kept()
    tried = trial(world, declared, path, body, key="the-key")
    assert tried.status_code == declared.status, tried.content
    assert "Location" not in tried
    assert "ETag" not in tried
    assert (rows(), kept()) == (before, answers)
    # The key is as good as before, also for the very same body.
    done = send(world, declared, path, body, key="the-key")
    assert done.status_code == declared.status
    assert "Idempotency-Replayed" not in done
    assert set(done.json()) == set(tried.json())
    assert kept() == (answers[0] + 1, answers[1] + 1)


@pytest.mark.parametrize("declared", OF_LINES)
def test_a_trial_is_refused_as_the_write_is(world, declared):
    """A bad line among good ones: nothing of it is done either way, and the line is named."""
    path, body = CASES[declared.name](world)
    name = next(iter(MANY & set(body)), None)
    if name is None:
        return  # this act may leave them out, and its case does
    lines = body[name]
    bad = body | {name: [*lines, {"colour": "red"}]}
    before = rows()
    tried, refused = trial(world, declared, path, bad), send(world, declared, path, bad)
    assert tried.status_code == refused.status_code == 400
    assert tried.json()["errors"] == refused.json()["errors"]
    pointers = {error["pointer"] for error in refused.json()["errors"]}
    assert any(pointer.startswith(f"/{name}/{len(lines)}/") for pointer in pointers)
    assert rows() == before


def test_a_trial_of_what_is_not_there_is_refused_by_the_books(world):
    body = {"reference": "r", "lines": [world.line(), world.line(quantity=1_000)]}
    before = rows()
    tried, refused = world.program.post(f"/holds{TRIED}", body), world.program.post("/holds", body)
    assert tried.status_code == refused.status_code == 409
    assert tried.json()["errors"] == refused.json()["errors"]
    assert rows() == before


def test_false_is_no_trial_and_anything_else_is_refused(world):
    path, body = CASES["receive_shims"](world)
    assert world.program.post(f"{path}?validate_only=false", body).status_code == 201
    refused = world.program.post(f"{path}?validate_only=yes", body)
    assert refused.status_code == 400
    assert "true, false" in refused.json()["detail"]
