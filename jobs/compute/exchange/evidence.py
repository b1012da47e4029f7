"""How likely the readings after a fit are, under each thing that may have happened.

The model
    The clearance before lies anywhere in [passes, stops) with equal chance. The new shim moves it by
    r (t - s), and the errors of the two thicknesses by r times a normal error whose standard deviation is
    that of an even spread over plus and minus their uncertainty, u / sqrt(3). The leaves then call it by
    where it falls; with chance `SLIP` they call it one leaf too high or too low, half each. What happened
    adds a shift: none, r (s - the other's s) for an exchange, and so on. `STRAY` of all readings may be
    anything up to `SPAN`, so that nothing is ever impossible.

Limits
    The priors below are common sense, no source: of a hundred fittings five have something wrong, mostly
    two shims in each other's places. Rings of four or more exchanged shims are not looked for; they show as
    differences. Figures here are floats: they are weighed, never stored or compared with a limit.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import scipy

from jobs.compute.exchange.types import CauseKind, Fitting

FloatArray = npt.NDArray[np.float64]

PRIOR: dict[str, float] = {
    "none": 0.95,
    "exchange": 0.023,
    "ring": 0.002,
    "unit": 0.01,
    "upside_down": 0.005,
    "wrong_reading": 0.01,
}
"""How often each happens in a fitting; shared evenly by all the ways in which it can."""
SLIP = 0.01
STRAY = 1e-6
SPAN = 2e6
"""Clearances are plausible up to here, in nm (DESIGN.md)."""
UNITS = (25.4, 2.54)
"""By how much a figure is too small when it was keyed in millimetres and inches were meant; the same for
hundredths of a millimetre and thousandths of an inch. Too large, when it was keyed in inches."""
WEAR = np.linspace(10_000.0, 80_000.0, 15)
"""How deep a face may be worn, in nm, each with equal chance (common practice, no source)."""
LEAST_APART_NM = 10_000
"""Shims that differ by less cannot be told apart by leaves, however fine these are."""
_LEAST_SPREAD_NM = 100.0
_NOT_WORTH_WEIGHING = 1e-9


class Hypothesis(NamedTuple):
    """One thing that may have happened, with its odds against nothing having happened."""

    kind: CauseKind
    valves: tuple[int, ...]
    odds: float
    factor: float = 1.0
    """For a wrong unit, by what the figure is to be multiplied."""


class Evidence:
    """The readings of a fitting as arrays, one entry per valve."""

    def __init__(self, fitting: Fitting) -> None:
        valves = fitting.valves
        self._ratio = float(fitting.lash_ratio)
        self._made = fitting.made_nm or (500_000, 10_000_000)
        self.readable = np.array([valve.before_nm[0] > 0 for valve in valves], dtype=np.bool_)
        self.opened = np.array([valve.opened for valve in valves], dtype=np.bool_)
        self._inches = np.array([valve.inches for valve in valves], dtype=np.bool_)
        self._used = np.array([valve.used for valve in valves], dtype=np.bool_)
        self.before = np.array([valve.before_nm for valve in valves], dtype=np.float64).reshape(-1, 2)
        self.after = np.array([valve.after_nm for valve in valves], dtype=np.float64).reshape(-1, 2)
        self._removed = np.array([valve.removed_nm for valve in valves], dtype=np.float64)
        self._fitted = np.array([valve.fitted_nm for valve in valves], dtype=np.float64)
        unsure = fitting.uncertainty
        half = {"measured": float(unsure.micrometer_nm), "marked": float(unsure.unworn_nm)}
        removed = np.array([half[valve.removed_known_by] for valve in valves])
        fitted = np.array([half[valve.fitted_known_by] for valve in valves])
        self._spread = self._spread_of(np.where(self.opened, removed, 0), np.where(self.opened, fitted, 0))
        # As the row's valve with the column's shim in it.
        self._spread_between = self._spread_of(removed[:, None], fitted[None, :])
        self._gained = np.where(self.opened, self._ratio * (self._removed - self._fitted), 0.0)
        self.nothing = self._chance(self.before, self.after, self._gained, self._spread)

    def _spread_of(self, one: FloatArray, other: FloatArray) -> FloatArray:
        return np.maximum(self._ratio * np.sqrt((one**2 + other**2) / 3), _LEAST_SPREAD_NM)

    def _chance(
        self, before: FloatArray, after: FloatArray, gained: FloatArray, spread: FloatArray
    ) -> FloatArray:
        """How likely each reading after is; the arrays of shape (..., 2) and (...)."""
        low, high = before[..., 0] + gained, before[..., 1] + gained
        leaf = after[..., 1] - after[..., 0]
        # The leaf edges around the reading: one leaf below, its own two, one leaf above.
        steps = np.array([-1.0, 0.0, 1.0, 2.0])
        edges = after[..., :1] + leaf[..., None] * steps
        below = _mean_cdf(edges, low[..., None], high[..., None], spread[..., None])
        # No leaf passes: everything below is called 0 too.
        below = np.where((after[..., :1] <= 0) & (steps <= 0), 0.0, below)
        there = np.clip(np.diff(below, axis=-1), 0.0, 1.0)
        exact, slipped = there[..., 1], (there[..., 0] + there[..., 2]) / 2
        return (1 - SLIP) * exact + SLIP * slipped + STRAY * leaf / SPAN

    def odds_at_most(self, standing: npt.NDArray[np.bool_]) -> float:
        """What the odds of everything in `hypotheses` cannot exceed together: as if each cause made the
        readings of its valves certain. Much quicker, and below what matters for nearly every fitting.
        """
        least, second, third = np.sort(np.append(self.nothing[standing], [1.0, 1.0, 1.0]))[:3]
        alone = (PRIOR["unit"] + PRIOR["upside_down"] + PRIOR["wrong_reading"]) / least
        together = PRIOR["exchange"] / (least * second) + PRIOR["ring"] / (least * second * third)
        return float(together + alone) / PRIOR["none"]

    def hypotheses(
        self,
        standing: npt.NDArray[np.bool_],
        differ: npt.NDArray[np.bool_],
        apart: npt.NDArray[np.bool_],
    ) -> list[Hypothesis]:
        """Everything that may have happened to the valves that are `standing`, with its odds. `differ`
        (valves, valves) says which shims are not the same, so that an exchange would change anything;
        `apart` which of these differ by so much that leaves can show it.
        """
        return [
            *self._exchanges(standing, differ),
            *self._rings(standing, apart),
            *self._wrong_units(standing),
            *self._upside_down(standing),
            *self._wrong_readings(standing),
        ]

    def _exchanges(self, standing: npt.NDArray[np.bool_], differ: npt.NDArray[np.bool_]) -> list[Hypothesis]:
        possible = np.triu(differ & standing[:, None] & standing[None, :], 1)
        ones, others = np.nonzero(possible)
        if not len(ones):
            return []
        likelier = self._with_shim_of(ones, others) * self._with_shim_of(others, ones)
        likelier /= self.nothing[ones] * self.nothing[others]
        odds = PRIOR["exchange"] / PRIOR["none"] / len(ones) * likelier
        return [
            Hypothesis("exchange", (one, other), value)
            for one, other, value in zip(ones.tolist(), others.tolist(), odds.tolist(), strict=True)
        ]

    def _rings(self, standing: npt.NDArray[np.bool_], apart: npt.NDArray[np.bool_]) -> list[Hypothesis]:
        """Each valve with the shim of the next, the last with that of the first. Of three of which two are
        alike a leaf could not say who has which."""
        possible = apart & standing[:, None] & standing[None, :]
        likelier = np.zeros(possible.shape)
        ones, others = np.nonzero(possible)
        likelier[ones, others] = self._with_shim_of(ones, others) / self.nothing[ones]
        place = np.arange(len(standing))
        # The first of a ring is its first valve: so each counts once, and its other way round as another.
        first = (place[:, None, None] < place[None, :, None]) & (place[:, None, None] < place[None, None, :])
        count = np.count_nonzero(first & possible[:, :, None] & possible[None, :, :] & possible.T[:, None, :])
        chance = likelier[:, :, None] * likelier[None, :, :] * likelier.T[:, None, :] * first
        odds = PRIOR["ring"] / PRIOR["none"] / max(count, 1) * chance
        return [
            Hypothesis("ring", tuple(ring), float(odds[tuple(ring)]))
            for ring in np.argwhere(odds > _NOT_WORTH_WEIGHING).tolist()
        ]

    def _with_shim_of(self, valves: npt.NDArray[np.int64], others: npt.NDArray[np.int64]) -> FloatArray:
        gained = self._ratio * (self._removed[valves] - self._fitted[others])
        spread = self._spread_between[valves, others]
        return self._chance(self.before[valves], self.after[valves], gained, spread)

    def _wrong_units(self, standing: npt.NDArray[np.bool_]) -> list[Hypothesis]:
        thicker = np.array(UNITS)[:, None]
        factors = np.where(self._inches, 1 / thicker, thicker)
        # Shims are keyed in millimetres.
        removed, fitted = self._removed * thicker, self._fitted * thicker
        shape = removed.shape
        before, after = np.broadcast_to(self.before, (*shape, 2)), np.broadcast_to(self.after, (*shape, 2))
        spread, gained = np.broadcast_to(self._spread, shape), np.broadcast_to(self._gained, shape)
        scaled = factors[..., None]
        ways: tuple[tuple[CauseKind, FloatArray, npt.NDArray[np.bool_]], ...] = (
            ("unit_before", self._chance(before * scaled, after, gained, spread), standing),
            ("unit_after", self._chance(before, after * scaled, gained, spread), self.after[:, 0] > 0),
            (
                "unit_removed",
                self._chance(before, after, gained + self._ratio * (removed - self._removed), spread),
                self._is_made(removed) & self.opened,
            ),
            (
                "unit_fitted",
                self._chance(before, after, gained - self._ratio * (fitted - self._fitted), spread),
                self._is_made(fitted) & self.opened,
            ),
        )
        found = []
        for kind, chance, possible in ways:
            for unit, valve in np.argwhere(np.broadcast_to(possible & standing, shape)).tolist():
                factor = factors[unit, valve] if kind in ("unit_before", "unit_after") else UNITS[unit]
                found.append((kind, valve, float(factor), float(chance[unit, valve] / self.nothing[valve])))
        share = PRIOR["unit"] / PRIOR["none"] / max(len(found), 1)
        return [
            Hypothesis(kind, (valve,), share * likelier, factor) for kind, valve, factor, likelier in found
        ]

    def _is_made(self, thickness: FloatArray) -> npt.NDArray[np.bool_]:
        return (thickness >= self._made[0]) & (thickness <= self._made[1])

    def _upside_down(self, standing: npt.NDArray[np.bool_]) -> list[Hypothesis]:
        valves = np.flatnonzero(standing & self.opened & self._used)
        if not len(valves):
            return []
        shape = (len(WEAR), len(valves))
        chance = self._chance(
            np.broadcast_to(self.before[valves], (*shape, 2)),
            np.broadcast_to(self.after[valves], (*shape, 2)),
            self._gained[valves] + self._ratio * WEAR[:, None],
            np.broadcast_to(self._spread[valves], shape),
        ).mean(axis=0)
        odds = PRIOR["upside_down"] / PRIOR["none"] / len(valves) * chance / self.nothing[valves]
        return [
            Hypothesis("upside_down", (valve,), value)
            for valve, value in zip(valves.tolist(), odds.tolist(), strict=True)
        ]

    def _wrong_readings(self, standing: npt.NDArray[np.bool_]) -> list[Hypothesis]:
        valves = np.flatnonzero(standing)
        leaf = self.after[valves, 1] - self.after[valves, 0]
        odds = PRIOR["wrong_reading"] / PRIOR["none"] / max(len(valves), 1) * (leaf / SPAN)
        odds /= self.nothing[valves]
        return [
            Hypothesis("wrong_reading", (valve,), value)
            for valve, value in zip(valves.tolist(), odds.tolist(), strict=True)
        ]


def _mean_cdf(at: FloatArray, low: FloatArray, high: FloatArray, spread: FloatArray) -> FloatArray:
    """Chance that a value spread evenly over [low, high] with a normal error added lies below `at`."""
    return spread / (high - low) * (_tail((at - low) / spread) - _tail((at - high) / spread))


def _tail(z: FloatArray) -> FloatArray:
    """The integral of the normal distribution function up to z."""
    return z * scipy.special.ndtr(z) + np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
