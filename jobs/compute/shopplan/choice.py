"""Which jobs of a shortage are completed and which wait: an integer program, solved rank by rank.

Promise
    `choose` finds jobs to complete for which the best flow has the least `ShopScore`, rank by rank: each
    rank's least figure becomes a constraint of the next. Every figure that is returned is recomputed in
    whole numbers from the best flow for the chosen jobs (assignment.best_arcs, proven); the solver's floats
    only say which jobs, and how low a rank could get at all. A rank counts as proven when that bound leaves
    no smaller whole number.

How
    Solved by HiGHS through scipy.optimize.milp. Only completion is integer (and with `apart`, who hands over
    to whom): once those are fixed, the flow that is left is totally unimodular, and since a rank is held at
    its least figure, every solution lies on a face of it. So arcs need not be declared whole.

Limits
    When the time runs out the best jobs so far are returned with the first rank that is not proven.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from math import ceil

import numpy as np
import numpy.typing as npt
import scipy

from jobs.compute.planner.assignment import InfeasibleError, NotProvenError
from jobs.compute.shopplan.assignment import best_arcs
from jobs.compute.shopplan.model import AWAITED, BOUGHT, OPENED, UNRESOLVED, Arcs, BoolArray, IntArray, Model
from jobs.compute.shopplan.types import RANKS, Proof

FloatArray = npt.NDArray[np.float64]
Step = Callable[[], None]

_OFF, _OFF_RELATIVE = 1e-6, 1e-9
"""How far the solver's bound may be off a whole number: its tolerance, and a float's over many terms."""


class Deadline:
    """When the search is to end; never without seconds."""

    def __init__(self, seconds: float | None) -> None:
        # Not the time of day, which compute is told and never asks: how long the search has taken.
        self._end = None if seconds is None else time.monotonic() + seconds

    def left(self) -> float | None:
        return None if self._end is None else max(self._end - time.monotonic(), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A choice to be made. Jobs are indices into the problem's."""

    model: Model
    arcs: Arcs
    """Those of the rows in question."""
    weights: dict[int, int]
    """The jobs for which it is open, with what each counts."""
    full: IntArray
    """Columns that are known to be taken as often as can be."""
    apart: frozenset[int] = field(default_factory=frozenset)
    """Jobs that may not wait for one that waits for them in turn, since they are not on the bench."""
    settled: frozenset[tuple[int, int]] = field(default_factory=frozenset)
    """(taker, giver) of what pins hand over out of valves; looked at with `apart` only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The jobs to complete and the flow that goes with them."""

    completed: frozenset[int]
    pairs: frozenset[tuple[int, int]] | None
    """(taker, giver) between which shims may move out of valves; None for all."""
    figures: tuple[int, ...]
    """`waiting` of the jobs in question and the costs of the rows in question."""
    columns: IntArray
    """Per row in question, in order, the column that it takes."""
    proof: Proof


def choose(question: Question, deadline: Deadline, step: Step, start: Sequence[Answer] = ()) -> Answer | None:
    """The best jobs to complete; None when the time ran out before any plan was found.

    `start` are answers to fall back on; `step` is called before each rank and may raise to give up.
    """
    program = _Program(question)
    best = min(start, key=lambda answer: answer.figures, default=None)
    fixed: list[int] = []
    for rank in range(len(RANKS)):
        step()
        least = _least(question, rank, fixed)
        # What cannot be smaller by counting need not be solved for.
        if best is None or best.figures[: rank + 1] != (*fixed, least):
            left = deadline.left()
            found = _NOT_LOOKED if left == 0.0 else program.solve(rank, fixed, left)
            other = None if found.jobs is None else evaluate(question, found.jobs, found.pairs)
            if other is not None and (best is None or other.figures < best.figures):
                best = other
            if best is None:
                return None
            if best.figures[:rank] < tuple(fixed):
                raise NotProvenError("the solver took a rank for proven that can be smaller")
            least = max(least, found.bound or 0)
            if best.figures[: rank + 1] > (*fixed, least):
                return replace(best, proof=Proof(RANKS[rank], best.figures[rank], least))
        fixed.append(best.figures[rank])
    return best


def _least(question: Question, rank: int, fixed: list[int]) -> int:
    """What this rank is at least, by counting alone: what each row takes at least, and for the ranks of
    those who get nothing that is in the building, how many they are: all others take up the full columns.
    """
    if rank == 0:
        return 0
    cost = question.arcs.cost[rank - 1]
    order = question.arcs.row.argsort(kind="stable")
    start = np.flatnonzero(np.diff(question.arcs.row[order], prepend=-1))
    least = int(np.minimum.reduceat(cost[order], start).astype(np.int64).sum()) if len(start) else 0
    if len(question.full) and rank - 1 in (UNRESOLVED, BOUGHT, AWAITED):
        takers = np.bincount(question.arcs.column, minlength=len(question.model.capacity))
        taken = np.minimum(takers, question.model.capacity)[question.full]
        without = len(start) - int(taken.sum()) - sum(fixed[1:])
        others = question.arcs.cost[rank : AWAITED + 1]
        least = max(least, 0 if others.any() else without)
    return least


def evaluate(
    question: Question, jobs: frozenset[int], pairs: frozenset[tuple[int, int]] | None
) -> Answer | None:
    """The best flow that completes these jobs, and between jobs moves shims out of valves as `pairs` says
    only; None when
    there is none.
    """
    arcs = narrowed(question.model, question.arcs, jobs, pairs)
    rows = np.unique(question.arcs.row)
    row = np.searchsorted(rows, arcs.row)
    try:
        chosen = best_arcs(
            len(rows), row, arcs.column, question.model.capacity, arcs.cost, likely=_likely(question, arcs)
        )
    except InfeasibleError:
        return None
    # More jobs than were asked for may have come out complete.
    late = {question.model.rows[number].job for number in arcs.row[chosen[~arcs.good[chosen]]].tolist()}
    waiting = sum(weight for job, weight in question.weights.items() if job in late)
    return Answer(
        completed=frozenset(question.weights.keys() - late),
        pairs=pairs,
        figures=(waiting, *(int(figure) for figure in arcs.cost[:, chosen].sum(axis=1, dtype=np.int64))),
        columns=arcs.column[chosen],
        proof=Proof(),
    )


def _likely(question: Question, arcs: Arcs) -> BoolArray:
    """What a best flow is mostly made of: whatever a valve that needs a change takes, and the own shims of
    those that need none."""
    needs = np.array([row.needs for row in question.model.rows], dtype=np.bool_)
    return needs[arcs.row] | (arcs.cost[OPENED] == 0)


def narrowed(
    model: Model, arcs: Arcs, jobs: frozenset[int], pairs: frozenset[tuple[int, int]] | None = None
) -> Arcs:
    """The arcs that are left when these jobs are completed with what is in the building."""
    job = np.array([row.job for row in model.rows], dtype=np.int64)[arcs.row]
    allowed = arcs.good | ~np.isin(job, sorted(jobs))
    if pairs is not None:
        taker, giver = ends(model, arcs)
        told = {taker_giver[0] * len(model.hopeless) + taker_giver[1] for taker_giver in pairs}
        inside = (giver < 0) | (giver == taker)
        allowed &= inside | np.isin(taker * len(model.hopeless) + giver, sorted(told))
    return arcs.take(allowed)


def ends(model: Model, arcs: Arcs) -> tuple[IntArray, IntArray]:
    """Per arc the job that takes, and the job whose valve gives, -1 for none: nobody waits for a shim that
    lies loose in a tray.
    """
    taker = np.array([row.job for row in model.rows], dtype=np.int64)[arcs.row]
    own = np.full(len(model.capacity), -1)
    own[: len(model.columns)] = [column.job if column.kind == "own" else -1 for column in model.columns]
    return taker, own[arcs.column]


@dataclass(frozen=True, slots=True)
class _Found:
    jobs: frozenset[int] | None
    pairs: frozenset[tuple[int, int]] | None
    bound: int | None  # least whole figure that the solver does not rule out


_NOT_LOOKED = _Found(None, None, None)


class _Program:
    """The integer program: a variable per arc, per job, and with `apart` per pair of jobs and per job's
    place in the order in which shims are handed over.
    """

    def __init__(self, question: Question) -> None:
        self._question = question
        self._jobs = sorted(question.weights)
        arcs, model = question.arcs, question.model
        self._arcs = len(arcs.row)
        self._pairs: list[tuple[int, int]] = []
        if question.apart:
            taker, giver = ends(model, arcs)
            moves = np.flatnonzero((giver >= 0) & (giver != taker))
            moving = set(zip(taker[moves].tolist(), giver[moves].tolist(), strict=True))
            self._pairs = sorted(moving | question.settled)
        places = len(model.hopeless) if self._pairs else 0
        self._size = self._arcs + len(self._jobs) + len(self._pairs) + places
        self._constraints = [self._rows(), self._columns(), self._completion()]
        if self._pairs:
            self._constraints += self._order(taker, giver, moves)
        upper = np.ones(self._size)
        upper[self._size - places :] = 2 * len(question.apart) + 1
        lower = np.zeros(self._size)
        first_pair = self._arcs + len(self._jobs)
        lower[first_pair : first_pair + len(self._pairs)] = [pair in question.settled for pair in self._pairs]
        self._bounds = scipy.optimize.Bounds(lower, upper)
        self._integer = np.zeros(self._size)
        self._integer[self._arcs : self._size - places] = 1

    def _objective(self, rank: int) -> FloatArray:
        """What this rank adds up, as far as it is not the same for all; `waiting` without its constant."""
        line = np.zeros(self._size)
        if rank == 0:
            line[self._arcs : self._arcs + len(self._jobs)] = [-self._question.weights[j] for j in self._jobs]
        else:
            line[: self._arcs] = self._question.arcs.cost[rank - 1]
        return line

    def solve(self, rank: int, fixed: list[int], seconds: float | None) -> _Found:
        """The best solution for this rank in which earlier ones are no worse than `fixed`."""
        objective = self._objective(rank)
        total = sum(self._question.weights.values())
        constant = total if rank == 0 else 0
        held = [
            scipy.optimize.LinearConstraint(line[None, :], -np.inf, figure - (total if earlier == 0 else 0))
            for earlier, figure in enumerate(fixed)
            if (line := self._objective(earlier)).any()
        ]
        unit = int(np.gcd.reduce(np.abs(objective).astype(np.int64))) or 1
        options: dict[str, float | bool] = {"mip_rel_gap": 0.0}
        if seconds is not None:
            options["time_limit"] = seconds
        result = scipy.optimize.milp(
            objective / unit,
            integrality=self._integer,
            bounds=self._bounds,
            constraints=[*self._constraints, *held],
            options=options,
        )
        bound = None
        if result.mip_dual_bound is not None and np.isfinite(result.mip_dual_bound):
            least = float(result.mip_dual_bound)
            bound = unit * ceil(least - _OFF - _OFF_RELATIVE * abs(least)) + constant
        if result.x is None:
            return _Found(None, None, bound)
        chosen = result.x[self._arcs :] > 0.5
        jobs = frozenset(job for job, yes in zip(self._jobs, chosen, strict=False) if yes)
        pairs = None
        if self._pairs:
            moving = chosen[len(self._jobs) : len(self._jobs) + len(self._pairs)]
            pairs = frozenset(pair for pair, yes in zip(self._pairs, moving, strict=True) if yes)
        return _Found(jobs, pairs, bound)

    def _rows(self) -> "scipy.optimize.LinearConstraint":
        rows, row = np.unique(self._question.arcs.row, return_inverse=True)
        return scipy.optimize.LinearConstraint(self._matrix(len(rows), row, np.arange(self._arcs)), 1, 1)

    def _columns(self) -> "scipy.optimize.LinearConstraint":
        question = self._question
        columns, column = np.unique(question.arcs.column, return_inverse=True)
        most = question.model.capacity[columns]
        least = np.where(np.isin(columns, question.full), most, 0)
        takers = np.bincount(column, minlength=len(columns))
        matrix = self._matrix(len(columns), column, np.arange(self._arcs))
        return scipy.optimize.LinearConstraint(matrix, np.minimum(least, takers), most)

    def _completion(self) -> "scipy.optimize.LinearConstraint":
        """A job is completed only when its rows take nothing that is not in the building."""
        arcs = self._question.arcs
        place = {job: self._arcs + number for number, job in enumerate(self._jobs)}
        job = np.array([row.job for row in self._question.model.rows], dtype=np.int64)[arcs.row]
        bad = np.flatnonzero(~arcs.good & np.isin(job, self._jobs))
        rows, row = np.unique(arcs.row[bad], return_inverse=True)
        whose = np.array(
            [place[self._question.model.rows[number].job] for number in rows.tolist()], dtype=int
        )
        lines = np.concatenate([row, np.arange(len(rows))])
        return scipy.optimize.LinearConstraint(
            self._matrix(len(rows), lines, np.concatenate([bad, whose])), -np.inf, np.ones(len(rows))
        )

    def _order(
        self, taker: IntArray, giver: IntArray, moves: IntArray
    ) -> "list[scipy.optimize.LinearConstraint]":
        """Who takes comes after who gives, strictly so where one of the two is apart; and an arc between
        two jobs needs their pair.
        """
        first_pair = self._arcs + len(self._jobs)
        first_place = first_pair + len(self._pairs)
        number = {pair: place for place, pair in enumerate(self._pairs)}
        pair = np.array([number[taker[arc], giver[arc]] for arc in moves.tolist()], dtype=np.int64)
        many = np.bincount(pair, minlength=len(self._pairs)).astype(np.float64)
        all_pairs = np.arange(len(self._pairs))
        uses = self._matrix(
            len(self._pairs),
            np.concatenate([pair, all_pairs]),
            np.concatenate([moves, first_pair + all_pairs]),
            np.concatenate([np.ones(len(moves)), -many]),
        )
        ends_of = np.array(self._pairs, dtype=np.int64).reshape(len(self._pairs), 2)
        big = 2.0 * len(self._question.apart) + 2
        after = self._matrix(
            len(self._pairs),
            np.concatenate([all_pairs] * 3),
            np.concatenate(
                [first_place + ends_of[:, 0], first_place + ends_of[:, 1], first_pair + all_pairs]
            ),
            np.concatenate(
                [np.ones(len(all_pairs)), -np.ones(len(all_pairs)), np.full(len(all_pairs), -big)]
            ),
        )
        strict = np.isin(ends_of, sorted(self._question.apart)).any(axis=1).astype(np.float64)
        return [
            scipy.optimize.LinearConstraint(uses, -np.inf, np.zeros(len(self._pairs))),
            scipy.optimize.LinearConstraint(after, strict - big, np.inf),
        ]

    def _matrix(
        self, lines: int, line: IntArray, variable: IntArray, value: FloatArray | None = None
    ) -> "scipy.sparse.csr_array":
        value = np.ones(len(line)) if value is None else value
        return scipy.sparse.csr_array((value, (line, variable)), shape=(lines, self._size))
