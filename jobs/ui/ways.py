"""What the plan's page shows besides the plan: other ways, what they cost, what to measure next."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from inventory.compute.lengths import show
from jobs.compute.alternatives import Figures, Wish
from jobs.compute.cost import Cost
from jobs.compute.measure_next import Candidate, MeasureNext
from jobs.models import PlanLine
from jobs.selectors.alternatives import Way, ways_of
from jobs.selectors.costs import Prices
from jobs.selectors.jobs import JobSheet
from jobs.selectors.measure_next import measure_next_of
from jobs.services.states import Act
from jobs.ui.words import counted
from shop.actor import Actor

TITLES: dict[Wish, str] = {
    "usual": "The usual way",
    "fewest_opened": "Opens the fewest valves",
    "buy_nothing": "Buys nothing",
    "closest": "Closest to the aim",
    "no_used": "No used shims from bins",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WayRow:
    """One way in the table. sent: what has to be sent from another site first, "" where nothing."""

    name: str
    title: str
    figures: Figures
    total: str
    sent: str
    is_plan: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateWords:
    label: str
    chance: str
    openings: str
    helps: str
    rests_on: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureNextWords:
    wanting: tuple[str, ...]
    candidates: list[CandidateWords]


def ways_context(sheet: JobSheet, lines: Sequence[PlanLine], actor: Actor) -> dict[str, Any]:
    """Nothing of other ways once the plan's shims are held or while a valve is to be read: they could not be
    chosen."""
    context: dict[str, Any] = {}
    if sheet.plan is not None:
        cost = Prices(sheet.job.family).cost(lines)
        context |= {"cost": cost, "shown": cost_words(cost)}
        if Act.PLAN in sheet.may and not sheet.to_read:
            ways = ways_of(sheet.job, actor)
            context["ways"] = [_row(way, sheet) for way in ways] if len(ways) > 1 else []
            context["measure_next"] = measure_next_words(measure_next_of(sheet.job))
    return context


def cost_words(cost: Cost) -> dict[str, str]:
    """The cost's figures for the eye."""
    amounts = {name: getattr(cost, name) for name in ("shims", "labour", "waiting", "total")}
    return {name: "" if amount is None else cost.shown(amount) for name, amount in amounts.items()} | {
        "minutes": _number(cost.minutes),
        "bay_hours": _number(cost.bay_hours),
    }


def measure_next_words(told: MeasureNext) -> MeasureNextWords:
    return MeasureNextWords(wanting=told.wanting, candidates=[_candidate(one) for one in told.candidates])


def _row(way: Way, sheet: JobSheet) -> WayRow:
    cost = way.cost
    return WayRow(
        name=way.name,
        title=title_of(way),
        figures=way.alternative.figures,
        total="" if cost.total is None else cost.shown(cost.total),
        sent=_sent(way),
        is_plan=_is_plan(way, sheet),
    )


def title_of(way: Way) -> str:
    """Every wish that it is the best plan for, in words."""
    asked = way.alternative.asked
    first, *others = [TITLES[wish] for wish in dict.fromkeys(one.wish for one in asked)]
    here = ", from this site alone" if all(one.here for one in asked) else ""
    return "; ".join([first, *(f"{words[:1].lower()}{words[1:]}" for words in others)]) + here


def _sent(way: Way) -> str:
    parts = [f"{show(choice.thickness_nm or 0)} mm from {lot.site.name}" for choice, lot in way.sent]
    return f"First to be sent: {', '.join(parts)}." if parts else ""


def _is_plan(way: Way, sheet: JobSheet) -> bool:
    plan = sheet.plan
    if plan is None or plan.state != plan.State.PROPOSED or plan.shop_plan_id or way.sent:
        return False
    shims = {line.label: (line.action, line.thickness_nm, line.from_valve) for line in _lines(sheet)}
    return all(
        shims.get(choice.label) == (choice.action, choice.thickness_nm, choice.from_valve or "")
        for choice in way.plan.choices
    )


def _lines(sheet: JobSheet) -> list[PlanLine]:
    return [valve.line for valve in sheet.valves if valve.line is not None]


def _candidate(one: Candidate) -> CandidateWords:
    more = one.openings - 1
    seen = counted(one.seen, "shim", "shims")
    return CandidateWords(
        label=one.label,
        chance=f"{percent(one.probability)} that it helps",
        openings=f"and {float(more):.1f} more valves to open on average" if more else "",
        helps=_sizes(one.helps),
        rests_on=(
            f"Only {seen} of such engines {'was' if one.seen == 1 else 'were'} seen here, so this is little "
            "better than a guess."
            if one.rests_on_little
            else f"From {seen} seen in such engines here."
        ),
    )


def percent(chance: Fraction) -> str:
    """In whole percent; below one it says so."""
    return "less than 1 %" if chance < Fraction(1, 100) else f"{round(chance * 100)} %"


def _sizes(sizes_nm: Sequence[int]) -> str:
    shown = [f"{show(nm)} mm" for nm in sizes_nm]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} or {shown[-1]}"


def _number(value: Fraction) -> str:
    return f"{float(value):.1f}".removesuffix(".0")
