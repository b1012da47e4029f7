"""A shop plan checked against its problem, from the rules alone.

Promise
    `verify` names every way in which a plan breaks the rules of the trade or states a figure that does not
    follow from it: who gets which shim, every clearance, who can be completed, every score, what is carried
    from engine to engine, left over, bought and to be measured, that accepted parts stay as they are, and
    that no engine waits in a ring that is not all on the bench. It shares no code with what makes plans
    (only the records of types.py), so a slip there does not hide here.

Limits
    It does not ask whether a better plan exists. Of sentences it checks that they are sentences and name the
    reading, the shim and the valve that it comes out of.
"""

from collections import Counter
from collections.abc import Iterator
from fractions import Fraction

from jobs.compute.planner.types import Valve
from jobs.compute.shopplan.types import JobPlan, OpenJob, Pin, ShopChoice, ShopPlan, ShopProblem, ShopScore

_CHANGES = ("swap", "tray", "stock", "order", "buy")
_WAITS = ("unresolved", "order", "buy", "measure")
_FIGURES = (
    "thickness_nm",
    "condition",
    "from_job",
    "from_label",
    "from_lot",
    "low_nm",
    "called_nm",
    "high_nm",
)


def verify(problem: ShopProblem, plan: ShopPlan) -> list[str]:
    """What is wrong with the plan, one sentence per fault; empty when it is good."""
    if [job.key for job in plan.jobs] != [job.key for job in problem.jobs]:
        return ["the plans do not stand one per job in the order of the problem"]
    for job, made in zip(problem.jobs, plan.jobs, strict=True):
        if [choice.label for choice in made.choices] != [valve.label for valve in job.valves]:
            return [f"{job.key}: the choices do not stand one per valve in the order of the job"]
    return list(_faults(problem, plan))


def _faults(problem: ShopProblem, plan: ShopPlan) -> Iterator[str]:
    given = Counter(
        (choice.from_job, choice.from_label)
        for made in plan.jobs
        for choice in made.choices
        if choice.action == "swap"
    )
    totals = [0] * len(ShopScore._fields)
    for job, made in zip(problem.jobs, plan.jobs, strict=True):
        pins = {pin.label: pin for pin in job.pins}
        figures = [0] * len(ShopScore._fields)
        for valve, choice in zip(job.valves, made.choices, strict=True):
            handed_on = (job.key, valve.label) in given
            for fault in _faults_of(problem, job, valve, choice, pins.get(valve.label), handed_on=handed_on):
                yield f"{job.key} {valve.label}: {fault}"
            if choice.action == "unresolved":
                figures[1] += 1
                figures[5] += 1
            elif choice.action in _CHANGES and choice.thickness_nm is not None and valve.shim is not None:
                for place, more in enumerate(_counts(job, valve, choice)):
                    figures[place] += more
        done = all(choice.action not in _WAITS for choice in made.choices)
        if made.completed is not done:
            yield f"{job.key}: completed is {done}, not {made.completed}"
        figures[0] = 0 if done else job.weight
        if tuple(made.score) != tuple(figures):
            yield f"{job.key}: its score is {figures}, not {tuple(made.score)}"
        yield from _job_words(problem, job, made)
        totals = [one + other for one, other in zip(totals, figures, strict=True)]
    if tuple(plan.score) != tuple(totals):
        yield f"the score is {totals}, not {tuple(plan.score)}"
    yield from _used_twice(problem, plan, given)
    yield from _rings(problem, plan)
    yield from _lists(problem, plan, given)
    yield from _proof(plan)


def _faults_of(
    problem: ShopProblem, job: OpenJob, valve: Valve, choice: ShopChoice, pin: Pin | None, *, handed_on: bool
) -> Iterator[str]:
    if choice.verdict != (verdict := _verdict(valve)):
        yield f"the verdict is {verdict}, not {choice.verdict}"
    if choice.pinned is not (pin is not None):
        yield f"pinned is {pin is not None}, not {choice.pinned}"
    if pin is not None:
        told = (pin.action, pin.from_job, pin.from_label, pin.condition)
        condition = choice.condition if choice.action == "stock" else None
        if told != (choice.action, choice.from_job, choice.from_label, condition):
            yield "its accepted part was moved"
        if pin.action != "keep" and pin.thickness_nm != choice.thickness_nm:
            yield "its accepted part was moved: the shim is another"
        if choice.from_lot is not None:
            yield "a settled shim is held, it is not among the lots"
    else:
        promised = any(
            (other.from_job, other.from_label) == (job.key, valve.label)
            for some in problem.jobs
            for other in some.pins
            if other.action == "swap"
        )
        may = _open_to(valve, verdict, promised=promised)
        if choice.action not in may:
            yield f"{choice.action} is not open to this valve, only {' or '.join(sorted(may))}"
            return
        called_in = valve.adjust == "auto" and verdict in ("in_spec", "at_limit")
        if called_in and choice.action in _CHANGES and not handed_on:
            yield "opened though in spec and nobody takes its shim"
    if handed_on and choice.action in ("keep", "measure"):
        yield "its shim is handed on though the valve keeps it"
    if choice.action in ("unresolved", "measure"):
        for name in (*_FIGURES, "guaranteed"):
            if getattr(choice, name) is not None:
                yield f"{name} is given though the valve gets no shim"
    elif choice.action == "keep":
        yield from _kept(valve, choice)
    else:
        yield from _changed(problem, job, valve, choice)
    yield from _sentences(valve, choice)


def _open_to(valve: Valve, verdict: str, *, promised: bool) -> set[str]:
    if valve.adjust == "never":
        return {"keep"}
    if valve.adjust == "always" or verdict in ("tight", "loose"):
        return {"measure"} if valve.shim is None else {"unresolved", *_CHANGES}
    if valve.shim is None:
        return {"keep"}
    return {"unresolved", *_CHANGES} if promised else {"keep", *_CHANGES}


def _kept(valve: Valve, choice: ShopChoice) -> Iterator[str]:
    own = None if valve.shim is None else valve.shim.thickness_nm
    if choice.thickness_nm != own:
        yield f"the kept shim is {own} nm thick, not {choice.thickness_nm}"
    for name in ("condition", "from_job", "from_label", "from_lot"):
        if getattr(choice, name) is not None:
            yield f"{name} is given for a kept shim"
    today = (valve.passes_nm, valve.passes_nm, valve.stops_nm)
    if (choice.low_nm, choice.called_nm, choice.high_nm) != today:
        yield f"the clearance after is today's, {today}"
    sure = valve.passes_nm > 0 and valve.min_nm <= valve.passes_nm and valve.stops_nm <= valve.max_nm
    if choice.guaranteed is not sure:
        yield f"guaranteed is {sure}, not {choice.guaranteed}"


def _changed(problem: ShopProblem, job: OpenJob, valve: Valve, choice: ShopChoice) -> Iterator[str]:
    found = _source(problem, job, valve, choice)
    if isinstance(found, str):
        yield found
        return
    thickness, condition, unsure = found
    if choice.thickness_nm != thickness:
        yield f"the shim it names is {thickness} nm thick, not {choice.thickness_nm}"
    if choice.condition != condition:
        yield f"the condition of that shim is {condition}, not {choice.condition}"
    own = problem.uncertainty
    half = own.micrometer_nm if valve.shim and valve.shim.known_by == "measured" else own.unworn_nm
    called = _called(job, valve, thickness)
    play = (half + unsure) * job.lash_ratio
    low, high = called - play, called - valve.passes_nm + valve.stops_nm + play
    if not valve.min_nm <= called <= valve.max_nm:
        yield f"{thickness} nm is outside the called window: {float(called):.0f} nm would be called"
    for name, exact in (("low_nm", low), ("called_nm", called), ("high_nm", high)):
        if getattr(choice, name) != _nearest(exact):
            yield f"{name} is {_nearest(exact)}, not {getattr(choice, name)}"
    sure = valve.passes_nm > 0 and low >= valve.min_nm and high <= valve.max_nm
    if choice.guaranteed is not sure:
        yield f"guaranteed is {sure}, not {choice.guaranteed}"


def _source(
    problem: ShopProblem, job: OpenJob, valve: Valve, choice: ShopChoice
) -> tuple[int, str | None, int] | str:
    """Thickness, condition and uncertainty of the shim that the choice names, or what is wrong with it."""
    micrometer, unworn = problem.uncertainty.micrometer_nm, problem.uncertainty.unworn_nm
    action = choice.action
    if (choice.from_job is not None) != (action in ("swap", "tray")):
        return f"from_job does not go with {action}"
    if (choice.from_label is not None) != (action == "swap"):
        return f"from_label does not go with {action}"
    if (choice.from_lot is not None) != (action in ("stock", "order") and not choice.pinned):
        return f"from_lot does not go with {action}"
    if action in ("swap", "tray"):
        giver = next((other for other in problem.jobs if other.key == choice.from_job), None)
        if giver is None or giver.family != job.family:
            return f"there is no shim of its family to be had out of {choice.from_job}"
        if action == "tray":
            lying = [shim for shim in giver.tray if shim.thickness_nm == choice.thickness_nm]
            if not lying:
                return f"no such shim lies in the tray of {giver.key}"
            return lying[0].thickness_nm, None, micrometer if lying[0].known_by == "measured" else unworn
        out = next((other for other in giver.valves if other.label == choice.from_label), None)
        if out is None or out is valve or out.shim is None or out.adjust == "never":
            return f"there is no shim to be had out of {choice.from_label} of {giver.key}"
        return out.shim.thickness_nm, None, micrometer if out.shim.known_by == "measured" else unworn
    if choice.pinned and choice.thickness_nm is not None:
        condition = choice.condition if action == "stock" else "new"
        return choice.thickness_nm, condition, micrometer if condition == "used" else unworn
    if action == "buy":
        if choice.thickness_nm is None or choice.thickness_nm not in problem.catalogue.get(job.family, ()):
            return f"{choice.thickness_nm} nm is not in the catalogue"
        return choice.thickness_nm, "new", unworn
    lots = problem.lots if action == "stock" else problem.ordered
    if choice.from_lot is None or not 0 <= choice.from_lot < len(lots):
        return f"there is no lot {choice.from_lot}"
    lot = lots[choice.from_lot]
    if lot.family != job.family or getattr(lot, "only", None) not in (None, job.key):
        return f"lot {choice.from_lot} is of another family or held for another job"
    condition = "new" if action == "order" else problem.lots[choice.from_lot].condition
    return lot.thickness_nm, condition, micrometer if condition == "used" else unworn


def _counts(job: OpenJob, valve: Valve, choice: ShopChoice) -> tuple[int, ...]:
    """What one changed valve adds to each figure of the score."""
    cost = 0
    if choice.action in ("stock", "order"):
        cost = 1 if choice.condition == "used" else 2
    elif choice.from_job is not None and choice.from_job != job.key:
        cost = 1
    off = _nearest(abs(_called(job, valve, choice.thickness_nm or 0) - valve.aim_nm))
    bought, awaited = choice.action == "buy", choice.action == "order"
    return (0, 0, int(bought), int(awaited), int(not choice.guaranteed), 1, cost, off)


def _used_twice(
    problem: ShopProblem, plan: ShopPlan, given: Counter[tuple[str | None, str | None]]
) -> Iterator[str]:
    for (key, label), times in given.items():
        if times > 1:
            yield f"the shim out of {label} of {key} is given {times} times"
    lots: Counter[tuple[str, int]] = Counter()
    trays: Counter[tuple[str | None, int | None]] = Counter()
    for made in plan.jobs:
        for choice in made.choices:
            if choice.from_lot is not None:
                lots[choice.action, choice.from_lot] += 1
            if choice.action == "tray":
                trays[choice.from_job, choice.thickness_nm] += 1
    for (action, index), times in lots.items():
        held = problem.lots if action == "stock" else problem.ordered
        if 0 <= index < len(held) and times > held[index].quantity:
            yield f"{action} lot {index} holds {held[index].quantity}, but {times} are taken"
    for (key, thickness), times in trays.items():
        lying = sum(
            shim.quantity
            for job in problem.jobs
            if job.key == key
            for shim in job.tray
            if shim.thickness_nm == thickness
        )
        if times > lying:
            yield f"{lying} shims of {thickness} nm lie in the tray of {key}, but {times} are taken"


def _rings(problem: ShopProblem, plan: ShopPlan) -> Iterator[str]:
    """Who is not on the bench must not wait for a shim in a valve of one that waits for it in turn."""
    waits_for: dict[str, set[str]] = {
        made.key: {
            choice.from_job
            for choice in made.choices
            if choice.action == "swap" and choice.from_job is not None and choice.from_job != made.key
        }
        for made in plan.jobs
    }
    for job in problem.jobs:
        if job.on_bench:
            continue
        reached: set[str] = set()
        ahead = set(waits_for[job.key])
        while ahead:
            other = ahead.pop()
            if other not in reached and other in waits_for:
                reached.add(other)
                ahead |= waits_for[other]
        # A ring of accepted parts is none of the plan's making.
        if job.key in reached and not _pinned_ring(problem, job.key):
            yield f"{job.key} is not on the bench, but waits for an engine that waits for it in turn"


def _pinned_ring(problem: ShopProblem, key: str) -> bool:
    waits_for = {
        job.key: {pin.from_job for pin in job.pins if pin.action == "swap" and pin.from_job != job.key}
        for job in problem.jobs
    }
    reached: set[str | None] = set()
    ahead = set(waits_for[key])
    while ahead:
        other = ahead.pop()
        if other is not None and other not in reached:
            reached.add(other)
            ahead |= waits_for[other]
    return key in reached


def _lists(
    problem: ShopProblem, plan: ShopPlan, given: Counter[tuple[str | None, str | None]]
) -> Iterator[str]:
    moved, left, bought, measure = [], [], Counter[tuple[str, int]](), []
    for job, made in zip(problem.jobs, plan.jobs, strict=True):
        for valve, choice in zip(job.valves, made.choices, strict=True):
            if choice.from_job is not None and choice.from_job != job.key:
                moved.append((choice.from_job, choice.from_label, job.key, choice.label, choice.thickness_nm))
            out = choice.action in ("unresolved", *_CHANGES) and valve.shim is not None
            if out and valve.shim is not None and (job.key, valve.label) not in given:
                left.append((job.key, valve.label, valve.shim.thickness_nm))
            if choice.action == "buy":
                bought[job.family, choice.thickness_nm or 0] += 1
            if choice.action == "measure":
                measure.append((job.key, choice.label))
    if [tuple(one[:5]) for one in plan.hand_overs] != moved:
        yield f"hand_overs is {moved}, not {plan.hand_overs}"
    names = {job.key: job.name or job.key for job in problem.jobs}
    for one in plan.hand_overs:
        words = (names.get(one.from_job, ""), names.get(one.to_job, ""), one.to_label, _mm(one.thickness_nm))
        if not all(word in one.say for word in (*words, one.from_label or "tray")):
            yield f"the instruction does not say what to carry where: {one.say!r}"
    if [tuple(one) for one in plan.left_over] != left:
        yield f"left_over is {left}, not {plan.left_over}"
    to_buy = [(family, nm, many) for (family, nm), many in sorted(bought.items())]
    if [tuple(one) for one in plan.to_buy] != to_buy:
        yield f"to_buy is {to_buy}, not {plan.to_buy}"
    if list(plan.to_measure) != measure:
        yield f"to_measure is {measure}, not {plan.to_measure}"


def _job_words(problem: ShopProblem, job: OpenJob, made: JobPlan) -> Iterator[str]:
    dues = [
        problem.ordered[choice.from_lot].due
        for choice in made.choices
        # Another one is named among the faults of its valve.
        if choice.action == "order" and choice.from_lot in range(len(problem.ordered))
    ]
    undated = any(choice.action == "order" and choice.from_lot is None for choice in made.choices)
    known = [due for due in dues if due is not None]
    ready = max(known) if known and len(known) == len(dues) and not undated else None
    if made.ready != ready:
        yield f"{job.key}: ready is {ready}, not {made.ready}"
    if made.completed is made.why.startswith("Waits"):
        yield f"{job.key}: its sentence does not say whether it waits: {made.why!r}"
    for choice in made.choices:
        if choice.action in _WAITS and choice.label not in made.why:
            yield f"{job.key}: its sentence does not name {choice.label}: {made.why!r}"


def _proof(plan: ShopPlan) -> Iterator[str]:
    if plan.proof.unproven is None:
        return
    if plan.proof.unproven not in ShopScore._fields:
        yield f"there is no rank {plan.proof.unproven}"
        return
    value = getattr(plan.score, plan.proof.unproven)
    if plan.proof.value != value or not 0 <= plan.proof.bound <= value:
        yield f"the proof says {plan.proof}, the score says {value}"


def _sentences(valve: Valve, choice: ShopChoice) -> Iterator[str]:
    for why in (choice.why, choice.why_not):
        if why and (not why.endswith(".") or ". " in why or "\n" in why or not why[:1].isupper()):
            yield f"not one sentence: {why!r}"
    if not choice.why:
        yield "it does not say why"
    if valve.passes_nm > 0 and f"{_mm(valve.passes_nm)} mm" not in choice.why:
        yield f"why does not name the reading, {_mm(valve.passes_nm)} mm: {choice.why!r}"
    if choice.thickness_nm is not None and f"{_mm(choice.thickness_nm)} mm" not in choice.why:
        yield f"why does not name the {_mm(choice.thickness_nm)} mm shim: {choice.why!r}"
    if choice.from_label is not None and choice.from_label not in choice.why:
        yield f"why does not name {choice.from_label}: {choice.why!r}"
    if valve.passes_nm == 0 and not ("measure again" in choice.why and "looked at" in choice.why):
        yield f"why does not ask to have it looked at where there is no clearance: {choice.why!r}"


def _verdict(valve: Valve) -> str:
    if not valve.min_nm <= valve.passes_nm <= valve.max_nm:
        return "tight" if valve.passes_nm < valve.min_nm else "loose"
    return "at_limit" if valve.stops_nm > valve.max_nm else "in_spec"


def _called(job: OpenJob, valve: Valve, thickness_nm: int) -> Fraction:
    if valve.shim is None:
        raise ValueError(f"the shim of {valve.label} is not known")
    return valve.passes_nm + (valve.shim.thickness_nm - thickness_nm) * Fraction(job.lash_ratio)


def _nearest(exact: Fraction) -> int:
    """The nearest whole number, the even one where two are as near."""
    floor, rest = divmod(exact.numerator, exact.denominator)
    twice = 2 * rest
    return floor + (twice > exact.denominator or (twice == exact.denominator and floor % 2 == 1))


def _mm(nm: int) -> str:
    """Millimetres with at least three decimals and no more than are needed."""
    whole, rest = divmod(nm, 1_000_000)
    digits = f"{rest:06d}"
    return f"{whole}.{digits[:3]}{digits[3:].rstrip('0')}"
