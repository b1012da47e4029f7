"""What has changed in the shop since a plan for it was made, in plain words.

Only what matters for the plan: an engine that is no longer as it was, a shim that the plan takes and that is
no longer there, and shims that have come since. Shims that others took and the plan does not need do not.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime

from inventory.compute.lengths import show
from inventory.models import Balance, Hold, HoldLine, MovementLine
from jobs.compute.shopplan import OpenJob, Pin
from jobs.compute.shopplan.as_json import problem_from_json
from jobs.models import Job, ShopPlan
from jobs.selectors.shop_problem import GONE, SiteProblem

MOST_NAMED = 12


def changes_since(plan: ShopPlan, now: SiteProblem) -> list[str]:
    """One sentence per change; [] when the plan can be accepted as it stands."""
    found = [*_engines(plan, now), *_bins(plan, now), *_orders(plan, now)]
    more = len(found) - MOST_NAMED
    return found if more <= 0 else [*found[:MOST_NAMED], f"And {more} changes more."]


def _engines(plan: ShopPlan, now: SiteProblem) -> Iterator[str]:
    before = {job.key: job for job in problem_from_json(plan.problem).jobs}
    after = {job.key: job for job in now.problem.jobs}
    rows = {
        str(job.pk): job
        for job in Job.objects.filter(pk__in=[key for key in {*before, *after} if not key.startswith(GONE)])
    }
    because = {str(entry.job.pk): entry.because for entry in now.left_out}
    for key, was in before.items():
        if key.startswith(GONE):
            continue
        job = rows[key]
        if key not in after:
            yield f"{job}: {because.get(key) or f'it is {job.get_state_display().lower()}.'}"
        else:
            yield from _engine(job, was, after[key])
    families = {job.family for job in before.values()}
    for key, job in after.items():
        if key not in before and job.valves and not key.startswith(GONE) and job.family in families:
            yield f"{rows[key]} ({job.called}) takes the same shims and was read since."


def _engine(job: Job, was: OpenJob, now: OpenJob) -> Iterator[str]:
    old = {valve.label: valve for valve in was.valves}
    labels = [valve.label for valve in now.valves if old.get(valve.label) != valve]
    if labels:
        yield f"{job}: what was read or found in {', '.join(labels)} is another."
    if _settled(was.pins) != _settled(now.pins):
        if now.pins and not was.pins:
            yield f"{job}: a plan for it was accepted meanwhile."
        elif was.pins and not now.pins:
            yield f"{job}: its accepted plan was released."
        else:
            yield f"{job}: its accepted plan is no longer the same."
    if was.tray != now.tray:
        yield f"{job}: what lies loose in its tray is no longer the same."
    if was.on_bench != now.on_bench:
        yield f"{job}: it was taken {'into a bay' if now.on_bench else 'off the bench'}."


def _settled(pins: Iterable[Pin]) -> set[tuple[str, int | None]]:
    """What valves get; that a shim has come from the supplier meanwhile changes nothing."""
    return {(pin.label, pin.thickness_nm) for pin in pins}


def _bins(plan: ShopPlan, now: SiteProblem) -> Iterator[str]:
    lots = plan.places["lots"]
    there = {
        (balance.pk, lot.only): lot.quantity
        for balance, lot in zip(now.balances, now.problem.lots, strict=True)
    }
    named = {balance.pk: balance for balance in now.balances}
    seen = [(lots[index]["balance"], lot) for index, lot in enumerate(problem_from_json(plan.problem).lots)]
    was = {(pk, lot.only): lot.quantity for pk, lot in seen}
    # A lot by its balance, and by the one job that it is held for.
    takers: dict[tuple[int, str | None], list[str]] = defaultdict(list)
    jobs = {str(job.pk): job for job in now.jobs}
    for made in plan.result["jobs"]:
        for choice in made["choices"]:
            if choice["action"] == "stock" and choice["from_lot"] is not None:
                who = jobs.get(made["job"])
                pk, lot = seen[choice["from_lot"]]
                takers[pk, lot.only].append(f"{choice['label']} of {who or 'a job'}")
    short = {key: took for key, took in takers.items() if there.get(key, 0) < len(took)}
    rows = Balance.objects.select_related("place").in_bulk({pk for pk, _ in short})
    for (pk, only), took in short.items():
        balance = rows[pk]
        yield (
            f"{len(took)} × {show(balance.thickness_nm)} mm {balance.condition} from {balance.place.code} "
            f"for {', '.join(took)}: {there.get((pk, only), 0)} {'held for it' if only else 'left'}. "
            f"{_where_to(balance, plan.created_at)}"
        )
    families = {made["family"] for made in plan.result["jobs"]}
    for (pk, only), quantity in there.items():
        balance = named[pk]
        if quantity > was.get((pk, only), 0) and balance.family.code in families:
            came = quantity - was.get((pk, only), 0)
            became = f"were held for {jobs.get(only, 'a job')}" if only else "came free"
            yield (
                f"{came} × {show(balance.thickness_nm)} mm {balance.condition} {became} "
                f"in {balance.place.code}."
            )


def _where_to(balance: Balance, since: datetime) -> str:
    """Who has the shims of this lot now."""
    lot = {
        "family_id": balance.family_id,
        "thickness_nm": balance.thickness_nm,
        "condition": balance.condition,
    }
    held = HoldLine.objects.filter(
        place_id=balance.place_id, hold__state=Hold.State.HELD, **lot
    ).select_related("hold")
    who = sorted({f"{line.hold.reference} ({line.hold.created_by})" for line in held})
    if who:
        return f"Held for {', '.join(who)}."
    left = MovementLine.objects.filter(
        place_id=balance.place_id, quantity__lt=0, movement__at__gte=since, **lot
    ).select_related("movement")
    last = left.order_by("-id").first()
    if last is None:
        return "They are no longer there."
    act = last.movement
    return f"{act.get_reason_display()}, {act.actor}, {act.at:%Y-%m-%d %H:%M} UTC."


def _orders(plan: ShopPlan, now: SiteProblem) -> Iterator[str]:
    lines = plan.places["ordered"]
    free = {str(line.pk): lot.quantity for line, lot in zip(now.lines, now.problem.ordered, strict=True)}
    taken: Counter[str] = Counter()
    thickness: dict[str, int] = {}
    for made in plan.result["jobs"]:
        for choice in made["choices"]:
            if choice["action"] == "order" and choice["from_lot"] is not None:
                line = lines[choice["from_lot"]]["line"]
                taken[line] += 1
                thickness[line] = choice["thickness_nm"]
    numbers = {entry["line"]: entry["number"] for entry in lines}
    for line, many in taken.items():
        if free.get(line, 0) < many:
            yield (
                f"{many} × {show(thickness[line])} mm of purchase list {numbers[line]}: "
                f"{free.get(line, 0)} of it are still on their way and promised to nobody."
            )
    was = {
        lines[index]["line"]: lot.quantity
        for index, lot in enumerate(problem_from_json(plan.problem).ordered)
    }
    for line, lot in zip(now.lines, now.problem.ordered, strict=True):
        came = lot.quantity - was.get(str(line.pk), 0)
        if came > 0:
            yield f"{came} × {show(lot.thickness_nm)} mm more are on order ({line.purchase_list})."
