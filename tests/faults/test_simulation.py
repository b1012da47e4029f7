"""L17: a shop at work while all its parts die at random (simulation.py says how)."""

import json
import subprocess
import sys

import pytest

from tests.faults.simulation import CLIENTS, FAULTS, steps_of

# With this seed each kind of fault comes once in twelve seconds.
ALL_FAULTS = 40


def run(seed, seconds):
    words = ["--seed", str(seed), "--seconds", str(seconds)]
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.simulation", *words],
        capture_output=True,
        text=True,
        timeout=300 + 3 * seconds,
        check=False,
    )
    assert done.stdout.strip(), done.stderr[-3000:]
    return json.loads(done.stdout.splitlines()[-1])


def test_the_same_seed_gives_the_same_steps():
    assert steps_of(7, 60) == steps_of(7, 60)
    assert steps_of(7, 60) != steps_of(8, 60)
    assert {step.what for step in steps_of(ALL_FAULTS, 12) if step.who < 0} == set(FAULTS)
    assert {step.what for step in steps_of(7, 60) if step.who < 0} == set(FAULTS)
    assert {step.who for step in steps_of(7, 60)} == {-1, *range(CLIENTS)}


@pytest.mark.postgresql
@pytest.mark.redis
@pytest.mark.celery
def test_everything_acknowledged_is_there_once(size):
    for seed in size([ALL_FAULTS], range(1, 21)):
        found = run(seed, size(12, 60))
        print(f"seed {seed}: {found['acts']} acts, faults {found['faults']}, answers {found['answers']}")
        assert found["wrong"] == [], seed
        assert found["acts"] > 50
