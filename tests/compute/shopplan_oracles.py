"""Independent optima for shop plans: written from the rules, on Fractions and Python's whole numbers without
limit, with nothing left out and nothing shared with the planner but its records.

Every shim that a valve may get is an `Option`. What may be had a number of times only has a `piece`, whose
number is in `Case.many`; what may be had any number of times has none.
"""

from fractions import Fraction
from typing import NamedTuple

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

NOTHING = (0,) * 8


class Option(NamedTuple):
    cost: tuple  # as ShopScore, without `waiting`, which is the job's
    piece: tuple | None
    thickness_nm: int
    in_building: bool
    giver: int | None  # the other job whose valve it comes out of; a loose shim in a tray waits for nobody


class Case(NamedTuple):
    """A shop in the oracles' words."""

    rows: list  # (job, its options) of every valve that may change
    many: dict  # of each piece how often it may be taken
    settled: tuple  # what pins count
    hopeless: list  # per job whether it waits anyhow
    weights: list
    apart: list  # per job whether it is off the bench
    edges: frozenset  # (taker, giver) that pins settle


def case_of(problem):
    half = {"measured": problem.uncertainty.micrometer_nm, "marked": problem.uncertainty.unworn_nm}
    half |= {"used": half["measured"], "new": half["marked"]}
    keys = [job.key for job in problem.jobs]
    pins = {(job.key, pin.label): pin for job in problem.jobs for pin in job.pins}
    promised = {(pin.from_job, pin.from_label) for pin in pins.values() if pin.action == "swap"}
    from_trays = [(pin.from_job, pin.thickness_nm) for pin in pins.values() if pin.action == "tray"]

    many = {}
    pieces = []  # (family, thickness, half width, giver, piece, stock cost, in the building)
    for number, job in enumerate(problem.jobs):
        for valve in job.valves:
            pin = pins.get((job.key, valve.label))
            if valve.shim is None or valve.adjust == "never" or (job.key, valve.label) in promised:
                continue
            if pin is not None and pin.action == "keep":
                continue
            many["own", number, valve.label] = 1
            pieces.append(
                (
                    job.family,
                    valve.shim.thickness_nm,
                    half[valve.shim.known_by],
                    number,
                    ("own", number, valve.label),
                    0,
                    True,
                )
            )
        for place, shim in enumerate(job.tray):
            left = shim.quantity
            while left and (job.key, shim.thickness_nm) in from_trays:
                from_trays.remove((job.key, shim.thickness_nm))
                left -= 1
            many["tray", number, place] = left
            pieces.append(
                (
                    job.family,
                    shim.thickness_nm,
                    half[shim.known_by],
                    number,
                    ("tray", number, place),
                    0,
                    True,
                )
            )
    for index, lot in enumerate(problem.lots):
        cost = 2 if lot.condition == "new" else 1
        many["lot", index] = lot.quantity
        pieces.append((lot.family, lot.thickness_nm, half[lot.condition], None, ("lot", index), cost, True))
    for index, lot in enumerate(problem.ordered):
        many["order", index] = lot.quantity
        pieces.append((lot.family, lot.thickness_nm, half["new"], None, ("order", index), 2, False))

    def fitted(job, valve, thickness, half_width):
        """(not guaranteed, off) when the called clearance would be inside."""
        after = Fraction(valve.passes_nm) + job.lash_ratio * (valve.shim.thickness_nm - thickness)
        if not valve.min_nm <= after <= valve.max_nm:
            return None
        play = job.lash_ratio * (half[valve.shim.known_by] + half_width)
        sure = (
            valve.passes_nm > 0
            and after - play >= valve.min_nm
            and after - valve.passes_nm + valve.stops_nm + play <= valve.max_nm
        )
        return (0 if sure else 1), round(abs(after - valve.aim_nm))

    rows, settled, edges = [], list(NOTHING), set()
    hopeless = [False] * len(keys)
    for number, job in enumerate(problem.jobs):
        for valve in job.valves:
            inside = valve.min_nm <= valve.passes_nm <= valve.max_nm
            needs = valve.adjust == "always" or (valve.adjust == "auto" and not inside)
            pin = pins.get((job.key, valve.label))
            if pin is not None:
                if pin.action == "keep":
                    continue
                giver = None if pin.from_job is None else keys.index(pin.from_job)
                if pin.action == "swap":
                    width = half[
                        next(v for v in problem.jobs[giver].valves if v.label == pin.from_label).shim.known_by
                    ]
                elif pin.action == "tray":
                    width = half[
                        next(
                            s for s in problem.jobs[giver].tray if s.thickness_nm == pin.thickness_nm
                        ).known_by
                    ]
                else:
                    width = half[pin.condition or "new"]
                unsure, off = fitted(job, valve, pin.thickness_nm, width)
                cost = {"stock": 2 if pin.condition == "new" else 1, "order": 2}.get(pin.action, 0)
                if giver not in (None, number):
                    cost = 1
                    if pin.action == "swap":
                        edges.add((number, giver))
                here = (0, 0, pin.action == "buy", pin.action == "order", unsure, 1, cost, off)
                settled = [a + b for a, b in zip(settled, here, strict=True)]
                hopeless[number] |= pin.action in ("buy", "order")
                continue
            if valve.adjust == "never":
                continue
            if valve.shim is None:
                hopeless[number] |= needs
                continue
            gone = (job.key, valve.label) in promised
            mine = []
            if needs or gone:
                mine.append(Option((1, 0, 0, 0, 1, 0, 0), None, 0, False, None))
            else:
                mine.append(
                    Option((0,) * 7, ("own", number, valve.label), valve.shim.thickness_nm, True, None)
                )
            for family, thickness, width, giver, piece, cost, in_building in pieces:
                if family != job.family or piece == ("own", number, valve.label):
                    continue
                if piece[0] == "lot" and problem.lots[piece[1]].only not in (None, job.key):
                    continue
                if (found := fitted(job, valve, thickness, width)) is not None:
                    unsure, off = found
                    moved = giver not in (None, number)
                    mine.append(
                        Option(
                            (0, 0, 0 if in_building else 1, unsure, 1, cost + moved, off),
                            piece,
                            thickness,
                            in_building,
                            giver if moved and piece[0] == "own" else None,
                        )
                    )
            for thickness in problem.catalogue.get(job.family, ()):
                if (found := fitted(job, valve, thickness, half["new"])) is not None:
                    mine.append(Option((0, 1, 0, found[0], 1, 0, found[1]), None, 0, False, None))
            rows.append((number, mine))
    weights = [job.weight for job in problem.jobs]
    settled[0] = sum(weight for weight, waits in zip(weights, hopeless, strict=True) if waits)
    apart = [not job.on_bench for job in problem.jobs]
    return Case(rows, many, tuple(settled), hopeless, weights, apart, frozenset(edges))


def has_ring(case, edges):
    """Whether a job that is off the bench waits for one that waits for it in turn."""
    after = {job: {giver for taker, giver in edges if taker == job} for job in range(len(case.weights))}
    for job, apart in enumerate(case.apart):
        seen, ahead = set(), list(after[job])
        while ahead:
            other = ahead.pop()
            if other == job and apart:
                return True
            if other not in seen:
                seen.add(other)
                ahead += after[other]
    return False


def _middle(row):
    thickness = [option.thickness_nm for option in row[1] if option.piece is not None]
    return sum(thickness) / len(thickness) if thickness else 0


def by_trying_everything(problem, most=20_000):
    """The best score, every combination tried; None where more than `most` ways would have to be kept at a
    time.

    Valve after valve, keeping for each way in which shims are taken that a later valve could still want, each
    set of jobs that wait and each set of hand-overs the best figures so far. Two ways to the same shims, jobs
    and hand-overs go on alike, so the worse is dropped.
    """
    case = case_of(problem)
    # Valves whose shims lie near each other follow each other, so few shims are in question at a time.
    rows = sorted(case.rows, key=_middle)
    last = {option.piece: place for place, (_, options) in enumerate(rows) for option in options}
    watched = any(case.apart)
    states = {(frozenset(), frozenset(), case.edges if watched else frozenset()): NOTHING}
    for place, (job, options) in enumerate(rows):
        after = {}
        for (used, waiting, edges), score in states.items():
            taken = dict(used)
            for option in options:
                now = taken
                if option.piece is not None:
                    if taken.get(option.piece, 0) == case.many[option.piece]:
                        continue
                    now = {**taken, option.piece: taken.get(option.piece, 0) + 1}
                moved = watched and option.giver is not None
                key = (
                    frozenset((piece, times) for piece, times in now.items() if last[piece] > place),
                    waiting if option.in_building else waiting | {job},
                    edges | {(job, option.giver)} if moved else edges,
                )
                figures = tuple(map(sum, zip(score, (0, *option.cost), strict=True)))
                if key not in after or figures < after[key]:
                    after[key] = figures
            if len(after) > most:
                return None
        states = after
    totals = []
    for (_, waiting, edges), score in states.items():
        if not (watched and has_ring(case, edges)):
            weight = sum(case.weights[job] for job in waiting if not case.hopeless[job])
            totals.append(tuple(map(sum, zip(score, case.settled, (weight, *NOTHING[1:]), strict=True))))
    return min(totals)


def by_integer_program(problem):
    """The best score by an integer program of its own: one binary variable per valve and shim it may get and
    one per job, nothing left out, solved figure by figure with HiGHS. For shops all on the bench.
    """
    case = case_of(problem)
    assert not any(case.apart)
    variables, row_of = [], []
    for row, (_, options) in enumerate(case.rows):
        variables += options
        row_of += [row] * len(options)
    waits = len(variables) + np.arange(len(case.weights))
    size = len(variables) + len(case.weights)
    lines, low, high = [], [], []
    for row in range(len(case.rows)):
        lines.append([(index, 1) for index, mine in enumerate(row_of) if mine == row])
        low.append(1)
        high.append(1)
    pieces = {}
    for index, option in enumerate(variables):
        if option.piece is not None:
            pieces.setdefault(option.piece, []).append((index, 1))
    for piece, members in pieces.items():
        lines.append(members)
        low.append(0)
        high.append(case.many[piece])
    for index, option in enumerate(variables):
        if not option.in_building:
            lines.append([(index, 1), (int(waits[case.rows[row_of[index]][0]]), -1)])
            low.append(-1)
            high.append(0)
    figures = [
        [0.0] * len(variables) + [0 if h else w for w, h in zip(case.weights, case.hopeless, strict=True)]
    ]
    for figure in range(7):
        figures.append([float(option.cost[figure]) for option in variables] + [0.0] * len(case.weights))
    best = []
    for figure in range(8):
        if any(figures[figure]):
            result = milp(
                np.array(figures[figure]),
                integrality=np.ones(size),
                bounds=Bounds(0, 1),
                constraints=_constraints(lines, low, high, size),
                options={"mip_rel_gap": 0},
            )
            assert result.status == 0, result.message
            chosen = np.round(result.x)
            value = sum(round(weight) for weight, yes in zip(figures[figure], chosen, strict=True) if yes)
        else:
            value = 0
        lines.append([(index, weight) for index, weight in enumerate(figures[figure]) if weight])
        low.append(-np.inf)
        high.append(value)
        best.append(value)
    return tuple(map(sum, zip(best, case.settled, strict=True)))


def _constraints(lines, low, high, size):
    entries = [(line, index, value) for line, members in enumerate(lines) for index, value in members]
    line, index, value = (np.array(side) for side in zip(*entries, strict=True))
    return LinearConstraint(coo_array((value, (line, index)), shape=(len(lines), size)).tocsr(), low, high)
