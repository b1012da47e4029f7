"""Fittings made up from a seed: true clearances and thicknesses, and what leaves and micrometers say."""

import random
from dataclasses import dataclass, replace
from fractions import Fraction

from jobs.compute.exchange import FittedValve, Fitting
from jobs.compute.planner import Uncertainty

THOU, METRIC, STEP = 25_400, 10_000, 25_000
HALF = {"measured": 4_000, "marked": 5_000}


@dataclass
class Bench:
    """The engine as it really is; lengths in nm."""

    labels: list[str]
    leaf: int
    ratio: Fraction
    before: list[int]  # true clearance
    removed: list[tuple[int, str]]  # as read, and by what
    true_removed: list[int]
    fitted: list[tuple[int, str]]
    true_fitted: list[int]
    opened: list[bool]

    def exchanged(self, one, other):
        """The same bench with two true shims in each other's places."""
        true = list(self.true_fitted)
        true[one], true[other] = true[other], true[one]
        return replace(self, true_fitted=true)

    def leaves(self, clearance):
        """What the leaves say: the one that passes and the next."""
        passes = max(int(clearance // self.leaf) * self.leaf, 0)
        return passes, passes + self.leaf

    def fitting(self):
        """What was keyed in around the fit."""
        valves = []
        for index, label in enumerate(self.labels):
            gained = self.ratio * (self.true_removed[index] - self.true_fitted[index])
            valves.append(
                FittedValve(
                    label=label,
                    before_nm=self.leaves(self.before[index]),
                    after_nm=self.leaves(self.before[index] + (gained if self.opened[index] else 0)),
                    removed_nm=self.removed[index][0],
                    removed_known_by=self.removed[index][1],
                    fitted_nm=self.fitted[index][0] if self.opened[index] else self.removed[index][0],
                    fitted_known_by=self.fitted[index][1] if self.opened[index] else self.removed[index][1],
                    opened=self.opened[index],
                    used=self.fitted[index][1] == "measured",
                )
            )
        return Fitting(
            valves=tuple(valves),
            lash_ratio=self.ratio,
            uncertainty=Uncertainty(),
            made_nm=(1_100_000, 3_600_000),
        )

    def pairs(self, least_apart, most_apart=10**9):
        """Pairs of opened valves whose shims, as read, differ by so much."""
        opened = [index for index, is_open in enumerate(self.opened) if is_open]
        return [
            (one, other)
            for at, one in enumerate(opened)
            for other in opened[at + 1 :]
            if least_apart <= abs(self.fitted[one][0] - self.fitted[other][0]) <= most_apart
        ]


def bench(seed):
    """An engine of 4 to 24 valves of which two or more were opened and set to 0.15 to 0.35 mm."""
    rng = random.Random(f"bench {seed}")
    count = rng.choice([4, 8, 8, 12, 16, 16, 24])
    leaf = rng.choice([THOU, METRIC])
    ratio = Fraction(rng.choice(["1", "1", "1", "1.4", "0.9"]))
    middle, sigma = rng.randrange(2_200_000, 2_900_000, STEP), rng.choice([2, 4, 6])
    spacing = rng.choice([STEP, 2 * STEP])
    share = rng.choice([0.3, 0.6, 1.0])
    opened = [rng.random() < share for _ in range(count)]
    for index in rng.sample(range(count), 2):
        opened[index] = True
    before, removed, true_removed, fitted, true_fitted = [], [], [], [], []
    for _ in range(count):
        clearance = rng.randrange(leaf, 400_000)
        by = rng.choice(["measured", "marked"])
        said = middle + round(rng.gauss(0, sigma)) * STEP
        if by == "measured":
            said += rng.randrange(-12_000, 12_001, 1_000)
        before.append(clearance)
        removed.append((said, by))
        true_removed.append(said + rng.randint(-HALF[by], HALF[by]))
        wanted = said + (clearance - rng.randrange(150_000, 350_000)) / ratio
        by = rng.choice(["measured", "marked"])
        said = round(wanted / spacing) * spacing
        if by == "measured":
            said += rng.randrange(-12_000, 12_001, 1_000)
        fitted.append((said, by))
        true_fitted.append(said + rng.randint(-HALF[by], HALF[by]))
    labels = [
        f"{index // 4 + 1}-{'IN' if index % 4 < 2 else 'EX'}-{'LR'[index % 2]}" for index in range(count)
    ]
    return Bench(labels, leaf, ratio, before, removed, true_removed, fitted, true_fitted, opened)
