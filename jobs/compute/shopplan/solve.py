"""The best plan for one part of the shop."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import scipy

from jobs.compute.planner.assignment import NotProvenError
from jobs.compute.shopplan.choice import Answer, Deadline, Question, Step, choose, ends, evaluate
from jobs.compute.shopplan.model import BoolArray, Model, build_model
from jobs.compute.shopplan.records import settled_score
from jobs.compute.shopplan.shortage import find_shortages
from jobs.compute.shopplan.types import RANKS, Part, PartPlan, Pick, Proof, ShopProblem, ShopScore, added

Pair = tuple[int, int]
"""The job that takes a shim and the one that gives it."""


def no_step() -> None:
    """For callers that neither show progress nor cancel."""


def solve_part(part: Part, time_limit: float | None = None, step: Step = no_step) -> PartPlan:
    """The best plan of a part: no other has a smaller score, unless `proof` says from which rank on that is
    not proven because `time_limit`, in seconds, was up.

    `step` is called now and then while it works; what it raises ends the work and reaches the caller. The
    same part always gives the same plan as long as the time does not run out. Raises
    planner.assignment.NotProvenError rather than return figures that do not add up.
    """
    deadline = Deadline(time_limit)
    model = build_model(part.problem)
    step()
    question = _about_all(part.problem, model)
    completed, proofs = _decided(question, deadline, step)
    answer = evaluate(question, completed, None)
    if answer is None:
        raise NotProvenError("the jobs that were found possible cannot be completed together")
    proof = _first_unproven(answer, proofs)
    if question.apart and _rings(question, answer):
        answer, proof = _kept_apart(question, answer, proof, deadline, step)
    return PartPlan(
        key=part.key,
        score=added([settled_score(part.problem, model.hopeless), ShopScore(*answer.figures)]),
        picks=tuple(_picks(part, model, answer.columns.tolist())),
        proof=_with_settled(proof, answer, part.problem, model),
    )


def _about_all(problem: ShopProblem, model: Model) -> Question:
    numbers = {job.key: number for number, job in enumerate(problem.jobs)}
    open_jobs = sorted({row.job for row in model.rows if not model.hopeless[row.job]})
    return Question(
        model=model,
        arcs=model.arcs,
        weights={number: problem.jobs[number].weight for number in open_jobs},
        full=np.empty(0, dtype=np.int64),
        apart=frozenset(number for number, job in enumerate(problem.jobs) if not job.on_bench),
        settled=frozenset(
            (number, numbers[pin.from_job])
            for number, job in enumerate(problem.jobs)
            for pin in job.pins
            if pin.action == "swap" and pin.from_job is not None and pin.from_job != job.key
        ),
    )


def _decided(question: Question, deadline: Deadline, step: Step) -> tuple[frozenset[int], list[Proof]]:
    """The jobs to complete: those that no shortage touches, and the best choice in each shortage."""
    model = question.model
    touched, shortages = find_shortages(model)
    completed = set(question.weights) - touched
    proofs = []
    for shortage in shortages:
        part = Question(
            model=model,
            arcs=model.arcs.take(np.isin(model.arcs.row, shortage.rows)),
            weights={job: question.weights[job] for job in shortage.jobs},
            full=shortage.columns,
        )
        none = evaluate(part, frozenset(), None)
        answer = choose(part, deadline, step, [] if none is None else [none])
        if answer is None:
            raise NotProvenError("no plan was found where every valve could be left as it is")
        completed |= answer.completed
        proofs.append(answer.proof)
    return frozenset(completed), proofs


def _first_unproven(answer: Answer, proofs: Iterable[Proof]) -> Proof:
    """For all pieces together: the first rank that some piece leaves open, and what all together have."""
    ranks = [RANKS.index(proof.unproven) for proof in proofs if proof.unproven is not None]
    if not ranks:
        return Proof()
    rank = min(ranks)
    gap = sum(proof.gap for proof in proofs if proof.unproven == RANKS[rank])
    return Proof(RANKS[rank], answer.figures[rank], answer.figures[rank] - gap)


def _with_settled(proof: Proof, answer: Answer, problem: ShopProblem, model: Model) -> Proof:
    if proof.unproven is None:
        return proof
    extra = settled_score(problem, model.hopeless)[RANKS.index(proof.unproven)]
    return proof._replace(value=proof.value + extra, bound=proof.bound + extra)


def _rings(question: Question, answer: Answer) -> bool:
    """Whether some job waits for another that waits for it in turn, one of the two not on the bench."""
    pairs = sorted(_moves(question, answer) | question.settled)
    jobs = len(question.model.hopeless)
    taker, giver = np.array(pairs, dtype=np.int64).reshape(len(pairs), 2).T
    graph = scipy.sparse.csr_array((np.ones(len(pairs), dtype=np.int8), (taker, giver)), shape=(jobs, jobs))
    _, ring = scipy.sparse.csgraph.connected_components(graph, connection="strong")
    size = np.bincount(ring, minlength=jobs)
    return any(size[ring[job]] > 1 for job in question.apart)


def _moves(question: Question, answer: Answer) -> set[Pair]:
    columns = question.model.columns
    return {
        (row.job, columns[column].job)
        for row, column in zip(question.model.rows, answer.columns.tolist(), strict=True)
        if column < len(columns) and columns[column].kind == "own" and columns[column].job != row.job
    }


def _kept_apart(
    question: Question, ideal: Answer, proof: Proof, deadline: Deadline, step: Step
) -> tuple[Answer, Proof]:
    """The best plan without forbidden rings. `ideal` is the best one with them, so nothing is better."""
    fallbacks = []
    for way in _ring_free(question):
        step()
        model = replace(question.model, arcs=question.arcs.take(way))
        limited = replace(question, model=model, arcs=model.arcs)
        completed, _ = _decided(limited, deadline, step)
        answer = evaluate(limited, completed, None)
        if answer is None or _rings(question, answer):
            continue
        if answer.figures == ideal.figures:
            return answer, proof
        fallbacks.append(answer)
    best = choose(question, deadline, step, fallbacks)
    if best is None:
        raise NotProvenError("no plan was found where every shim could be left in its engine")
    if best.proof.unproven is None:
        return best, best.proof
    rank = RANKS.index(best.proof.unproven)
    known = _least(ideal, proof, best.figures, rank)
    return best, best.proof._replace(bound=max(best.proof.bound, known))


def _ring_free(question: Question) -> Iterator[BoolArray]:
    """Arcs among which no ring goes through a job apart, unless pins close one: such jobs only take, only
    give, do neither, or nothing moves between jobs at all.
    """
    taker, giver = ends(question.model, question.arcs)
    inside = (giver < 0) | (giver == taker)
    apart = sorted(question.apart)
    gives, takes = np.isin(giver, apart), np.isin(taker, apart)
    yield inside | ~gives
    yield inside | ~takes
    yield inside | ~(gives | takes)
    yield inside


def _least(ideal: Answer, proof: Proof, figures: tuple[int, ...], rank: int) -> int:
    """What this rank is at least, given the figures before it, as far as the plan without limits tells."""
    proven = len(RANKS) if proof.unproven is None else RANKS.index(proof.unproven)
    if rank > proven or figures[:rank] != ideal.figures[:rank]:
        return 0
    return proof.bound if rank == proven else ideal.figures[rank]


def _picks(part: Part, model: Model, taken: list[int]) -> Iterator[Pick]:
    """What the rows take, with lots of one thickness emptied in order."""
    used: Counter[tuple[str, int]] = Counter()
    jobs = part.problem.jobs
    for number, (row, column) in enumerate(zip(model.rows, taken, strict=True)):
        key, label = jobs[row.job].key, row.valve.label
        if model.takes_none(column):
            continue
        if model.buys(column):
            yield Pick(key, label, "buy", model.buy_nm[number])
            continue
        one = model.columns[column]
        if one.kind == "own":
            if one.row != number:
                yield Pick(key, label, "swap", one.thickness_nm, jobs[one.job].key, one.label)
        elif one.kind == "tray":
            yield Pick(key, label, "tray", one.thickness_nm, jobs[one.job].key)
        else:
            held = part.problem.lots if one.kind == "stock" else part.problem.ordered
            lot = next(lot for lot in one.lots if used[one.kind, lot] < held[lot].quantity)
            used[one.kind, lot] += 1
            whole = part.lots[lot] if one.kind == "stock" else part.ordered[lot]
            yield Pick(key, label, one.kind, one.thickness_nm, from_lot=whole)
