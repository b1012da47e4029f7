"""The choice as an integer program.

Needs that are alike are one class: the same sizes would do, and either none of what is on offer comes late
for them or they are of one job with one time. What is given to a class from a shelf (`give`) is a flow, which
is whole once the packs are, so only packs, breaks, orders and waits have to be whole numbers. A job waits by
levels: level l is waited for when something is given that comes later than the level before, and costs what
lies between the two.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from itertools import groupby, pairwise

import numpy as np
import numpy.typing as npt
import scipy

from inventory.compute.purchase.pricing import goods, most_packs
from inventory.compute.purchase.prune import hopeful
from inventory.compute.purchase.supply import Shelf, Supply, hour_cost, hours_late
from inventory.compute.purchase.types import Offered, Problem, Size, Wanted

Term = tuple[int, float]
FloatArray = npt.NDArray[np.float64]


@dataclass(slots=True)
class Program:
    """Columns and rows of an integer program as they are found."""

    cost: list[float] = field(default_factory=list)
    most: list[float] = field(default_factory=list)
    least: list[float] = field(default_factory=list)
    whole: list[int] = field(default_factory=list)
    rows: list[tuple[list[Term], float, float]] = field(default_factory=list)

    def column(self, cost: Fraction | Decimal | int, most: float, *, whole: bool, least: float = 0) -> int:
        self.cost.append(float(cost))
        self.least.append(least)
        self.most.append(most)
        self.whole.append(int(whole))
        return len(self.cost) - 1

    def row(self, terms: Iterable[Term], least: float, most: float) -> None:
        self.rows.append((list(terms), least, most))

    def constraint(self) -> "scipy.optimize.LinearConstraint":
        index = [number for number, (terms, _, _) in enumerate(self.rows) for _ in terms]
        columns = [column for terms, _, _ in self.rows for column, _ in terms]
        values = [value for terms, _, _ in self.rows for _, value in terms]
        matrix = scipy.sparse.csr_array((values, (index, columns)), shape=(len(self.rows), len(self.cost)))
        return scipy.optimize.LinearConstraint(
            matrix, [least for _, least, _ in self.rows], [most for _, _, most in self.rows]
        )

    def bounds(self) -> "scipy.optimize.Bounds":
        return scipy.optimize.Bounds(np.array(self.least), np.array(self.most))


@dataclass(frozen=True, slots=True)
class Alike:
    """Needs that are alike, in the order in which they are served."""

    needs: tuple[Wanted, ...]
    quantity: int
    shelves: tuple[Shelf, ...]


@dataclass(frozen=True, slots=True)
class Columns:
    """Where an offer stands in the program."""

    packs: tuple[int, ...]
    """One for each of its breaks."""
    value: tuple[Term, ...]
    """What adds up to the line's value in the supplier's currency."""
    taken: tuple[int | None, ...]
    """For each of `packs` the column that says whether that break is taken; None where there is one price."""


@dataclass(frozen=True, slots=True)
class Model:
    program: Program
    classes: tuple[Alike, ...]
    give: tuple[Mapping[Shelf, int], ...]
    """Per class: shelf -> column."""
    short: tuple[int, ...]
    """Per class the column of what is not given; empty where no line is locked, for then all is."""
    offers: Mapping[str, Columns]


def alike(problem: Problem, supply: Supply, needs: Sequence[Wanted]) -> tuple[Alike, ...]:
    """The classes of these needs, in the order of their first needs."""
    shelves = hopeful(problem, supply, needs)
    found: dict[tuple[object, ...], list[Wanted]] = defaultdict(list)
    for need in needs:
        late = any(hours_late(need, shelf.arrives, problem) for shelf in shelves[need.key])
        key = (shelves[need.key], need.preferred_nm)
        found[(*key, need.job, need.needed_by) if late else key].append(need)
    return tuple(
        Alike(
            needs=tuple(same),
            quantity=sum(need.quantity for need in same),
            shelves=shelves[same[0].key],
        )
        for same in found.values()
    )


def build_model(problem: Problem, supply: Supply, needs: Sequence[Wanted]) -> Model:
    """The program for needs that something on offer serves."""
    program = Program()
    classes = alike(problem, supply, needs)
    by_supplier: dict[str, list[Offered]] = defaultdict(list)
    for offer in supply.offers:
        by_supplier[offer.supplier].append(offer)
    orders = {
        key: program.column(
            Fraction(supply.terms[key].delivery_fee) * supply.rates[key],
            1,
            whole=True,
            least=float(any(problem.locks.get(offer.key) for offer in offers)),
        )
        for key, offers in by_supplier.items()
    }
    give = tuple(_give(program, problem, each) for each in classes)
    short = tuple(program.column(0, each.quantity, whole=False) for each in classes if problem.locks)
    for number, each in enumerate(classes):
        terms = [(column, 1.0) for column in give[number].values()]
        terms += [(column, 1.0) for column in short[number : number + 1]]
        program.row(terms, each.quantity, each.quantity)
        _only_from_orders(program, supply, orders, each, give[number])
    wanted: dict[Size, int] = defaultdict(int)
    for each in classes:
        for size in {shelf.size for shelf in each.shelves}:
            wanted[size] += each.quantity
    columns = {}
    for offer in supply.offers:
        locked = problem.locks.get(offer.key)
        most = most_packs(offer, supply.terms[offer.supplier], wanted[offer.size])
        columns[offer.key] = _offer_columns(
            program,
            offer,
            supply.rates[offer.supplier],
            most if locked is None else locked,
            orders[offer.supplier],
        )
        if locked is not None:
            program.row([(column, 1.0) for column in columns[offer.key].packs], locked, locked)
    for each, given in zip(classes, give, strict=True):
        _tighter(program, supply, each, given, columns)
    _stocked(program, problem, supply, give, columns)
    for key, offers in by_supplier.items():
        _terms(program, problem, supply, key, offers, columns, orders[key])
    _waits(program, problem, classes, give)
    return Model(program=program, classes=classes, give=give, short=short, offers=columns)


def _give(program: Program, problem: Problem, each: Alike) -> dict[Shelf, int]:
    preferred = each.needs[0].preferred_nm
    return {
        shelf: program.column(
            0 if preferred in (None, shelf.size.nm) else problem.other_size, each.quantity, whole=False
        )
        for shelf in each.shelves
    }


def _only_from_orders(
    program: Program, supply: Supply, orders: Mapping[str, int], each: Alike, give: Mapping[Shelf, int]
) -> None:
    """Nothing is given that is not ordered. The packs say so already; said here it bounds far better."""
    for supplier in {shelf.supplier: None for shelf in each.shelves}:
        terms = supply.terms[supplier]
        if terms.delivery_fee or terms.minimum_value or terms.minimum_pieces:
            given = [(column, 1.0) for shelf, column in give.items() if shelf.supplier == supplier]
            program.row([*given, (orders[supplier], -float(each.quantity))], -np.inf, 0)


def _offer_columns(program: Program, offer: Offered, rate: Fraction, most: int, order: int) -> Columns:
    packs: list[int] = []
    value: list[Term] = []
    chosen: list[int | None] = []
    ends = [step.from_packs - 1 for step in offer.breaks[1:]] + [most]
    for step, end in zip(offer.breaks, ends, strict=True):
        last = min(end, most)
        if last < step.from_packs:
            break
        column = program.column(Fraction(step.price) * rate, last, whole=True)
        packs.append(column)
        value.append((column, float(step.price)))
        if len(offer.breaks) == 1:
            program.row([(column, 1.0), (order, -float(last))], -np.inf, 0)
            chosen.append(None)
            continue
        # With incremental breaks the first packs of a line keep their price: what they cost more.
        first = step.from_packs - 1
        more = goods(offer, first) - first * step.price if offer.incremental else Decimal(0)
        taken = program.column(Fraction(more) * rate, 1, whole=True)
        value.append((taken, float(more)))
        chosen.append(taken)
        program.row([(column, 1.0), (taken, -float(last))], -np.inf, 0)
        program.row([(column, 1.0), (taken, -float(step.from_packs))], 0, np.inf)
    if len(offer.breaks) > 1:
        one = [(taken, 1.0) for taken in chosen if taken is not None]
        program.row([*one, (order, -1.0)], -np.inf, 0)
    return Columns(tuple(packs), tuple(value), tuple(chosen))


def _tighter(
    program: Program, supply: Supply, each: Alike, give: Mapping[Shelf, int], columns: Mapping[str, Columns]
) -> None:
    """A class gets no more of a pack than it wants, and nothing of a break that is not taken. Whole packs say
    so already; said here, parts of packs serve a need no longer, and the bound comes near at once.
    """
    for shelf, column in give.items():
        most: list[Term] = []
        for offer in supply.shelves[shelf]:
            found = columns[offer.key]
            for packs, taken in zip(found.packs, found.taken, strict=True):
                of_pack = float(min(offer.pack, each.quantity))
                most.append((packs, -of_pack) if taken is None else (taken, -float(each.quantity)))
        if any(offer.pack > 1 or len(offer.breaks) > 1 for offer in supply.shelves[shelf]):
            program.row([(column, 1.0), *most], -np.inf, 0)


def _stocked(
    program: Program,
    problem: Problem,
    supply: Supply,
    give: Sequence[Mapping[Shelf, int]],
    columns: Mapping[str, Columns],
) -> None:
    """No more is given than comes; what is left of a size is credited, the first of it most."""
    given: dict[Shelf, list[Term]] = defaultdict(list)
    for of_class in give:
        for shelf, column in of_class.items():
            given[shelf].append((column, -1.0))
    left: dict[Size, list[Term]] = defaultdict(list)
    for shelf, offers in supply.shelves.items():
        comes = [(column, float(offer.pack)) for offer in offers for column in columns[offer.key].packs]
        program.row(comes + given[shelf], 0, np.inf)
        left[shelf.size] += comes + given[shelf]
    for size, terms in left.items():
        runs = [
            (program.column(-Fraction(worth), len(list(same)), whole=False), -1.0)
            for worth, same in groupby(problem.worth.get(size, ()))
            if worth
        ]
        if runs:
            program.row(terms + runs, 0, np.inf)


def _terms(
    program: Program,
    problem: Problem,
    supply: Supply,
    key: str,
    offers: Sequence[Offered],
    columns: Mapping[str, Columns],
    order: int,
) -> None:
    """Minimum order and free delivery of one supplier, in its currency."""
    terms = supply.terms[key]
    value = [term for offer in offers for term in columns[offer.key].value]
    pieces = [(column, float(offer.pack)) for offer in offers for column in columns[offer.key].packs]
    can_grow = any(offer.key not in problem.locks for offer in offers)
    if terms.minimum_value and can_grow:
        program.row([*value, (order, -float(terms.minimum_value))], 0, np.inf)
    if terms.minimum_pieces and can_grow:
        program.row([*pieces, (order, -float(terms.minimum_pieces))], 0, np.inf)
    if terms.free_from is not None and terms.delivery_fee:
        free = program.column(-Fraction(terms.delivery_fee) * supply.rates[key], 1, whole=True)
        program.row([(free, 1.0), (order, -1.0)], -np.inf, 0)
        if terms.free_from:
            program.row([*value, (free, -float(terms.free_from))], 0, np.inf)


def _waits(
    program: Program, problem: Problem, classes: Sequence[Alike], give: Sequence[Mapping[Shelf, int]]
) -> None:
    by_job: dict[str, list[int]] = defaultdict(list)
    for number, each in enumerate(classes):
        job = each.needs[0].job
        if job is not None and hour_cost(job, problem):
            by_job[job].append(number)
    for job, numbers in by_job.items():
        late = {
            (number, shelf): hours
            for number in numbers
            for shelf in give[number]
            if (hours := hours_late(classes[number].needs[0], shelf.arrives, problem))
        }
        levels = [Fraction(0), *sorted(set(late.values()))]
        for below, level in pairwise(levels):
            wait = program.column((level - below) * hour_cost(job, problem), 1, whole=True)
            for number in numbers:
                terms = [
                    (column, 1.0)
                    for shelf, column in give[number].items()
                    if late.get((number, shelf), Fraction(0)) >= level
                ]
                if terms:
                    program.row([*terms, (wait, -float(classes[number].quantity))], -np.inf, 0)
