"""Why the shop's plan does what it does: plain sentences in the trade's words, lengths in mm.

Promise
    As planner.explain, which the sentences about one valve alone come from: true of the best plan, not only
    of the valve. Where a plan is not proven in the ranks that a sentence rests on, it claims less.
"""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime

from jobs.compute.planner.explain import LOOK, brought_to, marked_words, mm, own_words, reading_words
from jobs.compute.planner.types import Valve
from jobs.compute.readings import Verdict
from jobs.compute.shopplan.types import (
    HandOver,
    JobPlan,
    OpenJob,
    Proof,
    Purchase,
    ShopChoice,
    ShopProblem,
)

_RANK_WORDS = {
    "waiting": "who waits",
    "unresolved": "how many valves stay without a shim",
    "bought": "how many shims are bought",
    "awaited": "how many shims on order are taken",
    "not_guaranteed": "how many clearances are not guaranteed",
    "opened": "how many valves are opened",
    "stock_cost": "what is taken from stock",
    "deviation_nm": "how closely the aims are hit",
}


def where_words(job: OpenJob, giver: OpenJob, label: str | None) -> str:
    """Where a shim of an engine or a tray comes from, as seen from `job`."""
    if label is not None:
        return f"out of {label}" if giver.key == job.key else f"out of {label} of {giver.called}"
    return "left over in its own tray" if giver.key == job.key else f"in the tray of {giver.called}"


def taker_words(job: OpenJob, taker: OpenJob, label: str) -> str:
    """The valve that a shim goes to, as seen from the job it comes from."""
    return label if taker.key == job.key else f"{label} of {taker.called}"


def why_changed(
    valve: Valve,
    said: Verdict,
    way: str,
    called_nm: int,
    *,
    guaranteed: bool,
    taker: str | None,
    pinned: bool,
) -> str:
    """For a valve that gets another shim by `way`. `taker` is the valve that gets its own, if any does."""
    because = marked_words(valve, said)
    if not because and said in ("in_spec", "at_limit") and taker is not None:
        because = f", but {taker} needs its {own_words(valve)} shim"
    if valve.passes_nm == 0:
        advice = f", so measure again after fitting and {LOOK}"
    elif guaranteed:
        advice = ""
    else:
        advice = ", not certain to be inside, so measure again after fitting"
    settled = "as its accepted plan says, " if pinned else ""
    brings = f"{way} brings it to {brought_to(valve, called_nm)}{advice}"
    return f"{reading_words(valve, said)}{because}; {settled}{brings}."


def way_words(
    action: str,
    thickness_nm: int,
    condition: str | None,
    where: str,
    due: datetime | None,
    *,
    nothing_left: bool,
) -> str:
    """How a shim is come by. `nothing_left`: whether that nothing else fits is proven."""
    thickness = mm(thickness_nm)
    match action:
        case "swap" | "tray":
            return f"the {thickness} mm shim {where}"
        case "stock":
            return f"a {condition} {thickness} mm shim from stock"
        case "order":
            day = "" if due is None else f", due {due:%Y-%m-%d},"
            return f"a new {thickness} mm shim that is on order{day}"
        case _:
            first = "nothing to spare in the building or on order fits, so " if nothing_left else ""
            return f"{first}a new {thickness} mm shim, to be bought,"


def hand_over(problem: ShopProblem, job: OpenJob, choice: ShopChoice) -> HandOver:
    """The instruction for a shim that leaves its engine or its tray for another."""
    giver = next(other for other in problem.jobs if other.key == choice.from_job)
    tray = f"in the tray of {giver.called}"
    what = tray if choice.from_label is None else f"of {choice.from_label} from {giver.called}"
    thickness = choice.thickness_nm or 0
    say = f"Take the {mm(thickness)} mm shim {what} to {job.called} for {choice.label}."
    return HandOver(giver.key, choice.from_label, job.key, choice.label, thickness, say)


def why_job(choices: Sequence[ShopChoice], ready: datetime | None) -> str:
    """Of one job: that it can leave, or everything it waits for."""
    of = {
        action: [choice for choice in choices if choice.action == action]
        for action in ("buy", "order", "measure", "unresolved")
    }
    waits = []
    if of["buy"]:
        waits.append(f"{_shims(of['buy'])} to be bought")
    if of["order"]:
        day = "" if ready is None else f", due {ready:%Y-%m-%d}"
        waits.append(f"{_shims(of['order'])} on order{day}")
    if of["measure"]:
        shims = "shim" if len(of["measure"]) == 1 else "shims"
        waits.append(f"the {shims} of {_labels(of['measure'])} to be measured")
    if of["unresolved"]:
        waits.append(f"shims for {_labels(of['unresolved'])} that nobody has")
    if waits:
        return f"Waits for {'; '.join(waits)}."
    if all(choice.action == "keep" for choice in choices):
        return "Nothing is to be changed."
    return "Can be completed: all its shims are in the building."


def _shims(choices: Sequence[ShopChoice]) -> str:
    return ", ".join(f"{mm(choice.thickness_nm or 0)} mm for {choice.label}" for choice in choices)


def _labels(choices: Sequence[ShopChoice]) -> str:
    return ", ".join(choice.label for choice in choices)


def why_plan(
    jobs: Sequence[JobPlan], hand_overs: Sequence[HandOver], to_buy: Sequence[Purchase], proof: Proof
) -> tuple[str, ...]:
    """Of the whole plan: who can leave, what is bought, what moves, and how sure that is the best."""
    done = sum(job.completed for job in jobs)
    said = [f"{done} of {counted(len(jobs), 'engine')} can be completed with what is in the building."]
    actions = Counter(choice.action for job in jobs for choice in job.choices)
    if to_buy:
        said.append(f"{counted(sum(purchase.quantity for purchase in to_buy), 'shim')} to buy.")
    if actions["order"]:
        said.append(f"{counted(actions['order'], 'shim')} of what is on order taken.")
    inside = actions["swap"] + actions["tray"] - len(hand_overs)
    if inside:
        said.append(f"{counted(inside, 'shim')} moved inside an engine.")
    if hand_overs:
        said.append(f"{counted(len(hand_overs), 'shim')} carried from one engine to another.")
    if actions["measure"]:
        said.append(f"{counted(actions['measure'], 'shim')} to be measured before anything can be chosen.")
    if proof.unproven is None:
        said.append("No other plan is better.")
    else:
        said.append(
            f"The time was up before it was certain {_RANK_WORDS[proof.unproven]}: "
            f"{figure_words(proof.unproven, proof.value)} here, {gap_words(proof)}."
        )
    return tuple(said)


def figure_words(rank: str, figure: int) -> str:
    """A figure of ShopScore for the eye."""
    return f"{mm(figure)} mm" if rank == "deviation_nm" else str(figure)


def gap_words(proof: Proof) -> str:
    """How much less the rank that is not proven could be; it must be one."""
    rank = proof.unproven or ""
    share = f", {proof.gap / proof.value * 100:.1f} %" if proof.value else ""
    return (
        f"{figure_words(rank, proof.bound)} at the very least: a gap of "
        f"{figure_words(rank, proof.gap)}{share}"
    )


def counted(number: int, thing: str) -> str:
    """The number with its noun."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
