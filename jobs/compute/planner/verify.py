"""A plan checked against its problem, from the rules alone.

Promise
    `verify` names every way in which a plan breaks the rules of the trade or states a figure that does not
    follow from it: who gets which shim, every clearance, the score, what is left over, bought and to be
    measured. It shares no code with what makes plans (only the records of types.py), so a slip there does
    not hide here.

Limits
    It does not ask whether a better plan exists; that is what assignment.py proves. Of `why` it checks that
    it is one sentence that names the reading, the shim, the valve it comes out of and, without clearance,
    the advice.
"""

from collections import Counter
from collections.abc import Iterator
from fractions import Fraction

from jobs.compute.planner.types import Choice, Plan, Problem, Score, Valve

_NEW_SHIM = ("swap", "stock", "buy")
_SHIM_FIELDS = ("thickness_nm", "condition", "from_valve", "from_lot", "low_nm", "called_nm", "high_nm")


def verify(
    problem: Problem, plan: Plan, *, buy: bool = True, used: bool = True, elsewhere: bool = True
) -> list[str]:
    """What is wrong with the plan, one sentence per fault; empty when it is good. `buy`, `used` and
    `elsewhere` say whether it may buy, take used shims from stock and take shims from another site.
    """
    labels = [valve.label for valve in problem.valves]
    if [choice.label for choice in plan.choices] != labels:
        return ["the choices do not stand one per valve in the order of the problem"]
    faults: list[str] = []
    for valve, choice in zip(problem.valves, plan.choices, strict=True):
        faults += (f"{valve.label}: {fault}" for fault in _faults_of(problem, valve, choice))
    faults += _used_twice(problem, plan)
    faults += _totals(problem, plan)
    if not faults:
        faults += _not_to_be_taken(problem, plan, buy=buy, used=used, elsewhere=elsewhere)
    return faults


def _not_to_be_taken(
    problem: Problem, plan: Plan, *, buy: bool, used: bool, elsewhere: bool
) -> Iterator[str]:
    for choice in plan.choices:
        if choice.action == "buy" and not buy:
            yield f"{choice.label}: a shim is bought though nothing is to be"
        if choice.from_lot is not None:
            lot = problem.lots[choice.from_lot]
            if lot.condition == "used" and not used:
                yield f"{choice.label}: a used shim is taken from stock though none is to be"
            if lot.elsewhere and not elsewhere:
                yield f"{choice.label}: a shim of another site is taken though none is to be"


def _faults_of(problem: Problem, valve: Valve, choice: Choice) -> Iterator[str]:
    if choice.verdict != (verdict := _verdict(valve)):
        yield f"the verdict is {verdict}, not {choice.verdict}"
    out = verdict in ("tight", "loose")
    needs = valve.adjust != "never" and (valve.adjust == "always" or out)
    if not needs:
        # Who hands its shim on must get another one; that is looked at in _used_twice.
        may = {"keep"} if valve.adjust == "never" or valve.shim is None else {"keep", *_NEW_SHIM}
    elif valve.shim is None:
        may = {"measure"}
    else:
        may = {"unresolved", *_NEW_SHIM}
    if choice.action not in may:
        yield f"{choice.action} is not open to this valve, only {' or '.join(sorted(may))}"
        return
    if choice.action in ("unresolved", "measure"):
        for name in (*_SHIM_FIELDS, "guaranteed"):
            if getattr(choice, name) is not None:
                yield f"{name} is given though the valve gets no shim"
    elif choice.action == "keep":
        yield from _kept(valve, choice)
    else:
        yield from _changed(problem, valve, choice)
    yield from _sentence(valve, choice)


def _kept(valve: Valve, choice: Choice) -> Iterator[str]:
    own = None if valve.shim is None else valve.shim.thickness_nm
    if choice.thickness_nm != own:
        yield f"the kept shim is {own} nm thick, not {choice.thickness_nm}"
    for name in ("condition", "from_valve", "from_lot"):
        if getattr(choice, name) is not None:
            yield f"{name} is given for a kept shim"
    today = (valve.passes_nm, valve.passes_nm, valve.stops_nm)
    if (choice.low_nm, choice.called_nm, choice.high_nm) != today:
        yield f"the clearance after is today's, {today}"
    sure = valve.passes_nm > 0 and valve.min_nm <= valve.passes_nm and valve.stops_nm <= valve.max_nm
    if choice.guaranteed is not sure:
        yield f"guaranteed is {sure}, not {choice.guaranteed}"


def _changed(problem: Problem, valve: Valve, choice: Choice) -> Iterator[str]:
    found = _source(problem, valve, choice)
    if isinstance(found, str):
        yield found
        return
    thickness, condition, unsure = found
    if choice.thickness_nm != thickness:
        yield f"the shim it names is {thickness} nm thick, not {choice.thickness_nm}"
    if choice.condition != condition:
        yield f"the condition of that shim is {condition}, not {choice.condition}"
    low, called, high = _after(problem, valve, thickness, unsure)
    if not valve.min_nm <= called <= valve.max_nm:
        yield f"{thickness} nm is outside the called window: {float(called):.0f} nm would be called"
    for name, exact in (("low_nm", low), ("called_nm", called), ("high_nm", high)):
        if getattr(choice, name) != _nearest(exact):
            yield f"{name} is {_nearest(exact)}, not {getattr(choice, name)}"
    sure = valve.passes_nm > 0 and low >= valve.min_nm and high <= valve.max_nm
    if choice.guaranteed is not sure:
        yield f"guaranteed is {sure}, not {choice.guaranteed}"


def _source(problem: Problem, valve: Valve, choice: Choice) -> tuple[int, str | None, int] | str:
    """Thickness, condition and uncertainty of the shim that the choice names, or what is wrong with it."""
    micrometer, unworn = problem.uncertainty.micrometer_nm, problem.uncertainty.unworn_nm
    if (choice.from_valve is not None) != (choice.action == "swap"):
        return f"from_valve does not go with {choice.action}"
    if (choice.from_lot is not None) != (choice.action == "stock"):
        return f"from_lot does not go with {choice.action}"
    if choice.action == "swap":
        giver = next((other for other in problem.valves if other.label == choice.from_valve), None)
        if giver is None or giver.label == valve.label or giver.shim is None or giver.adjust == "never":
            return f"there is no shim to be had out of {choice.from_valve}"
        return giver.shim.thickness_nm, None, micrometer if giver.shim.known_by == "measured" else unworn
    if choice.from_lot is not None:
        if not 0 <= choice.from_lot < len(problem.lots):
            return f"there is no lot {choice.from_lot}"
        lot = problem.lots[choice.from_lot]
        return lot.thickness_nm, lot.condition, micrometer if lot.condition == "used" else unworn
    if choice.thickness_nm is None or choice.thickness_nm not in problem.catalogue_nm:
        return f"{choice.thickness_nm} nm is not in the catalogue"
    return choice.thickness_nm, "new", unworn


def _used_twice(problem: Problem, plan: Plan) -> Iterator[str]:
    actions = {choice.label: choice.action for choice in plan.choices}
    givers = Counter(choice.from_valve for choice in plan.choices if choice.from_valve is not None)
    for label, times in givers.items():
        if times > 1:
            yield f"the shim out of {label} is given {times} times"
        if actions.get(label) in ("keep", "measure"):
            yield f"the shim of {label} is handed on though the valve keeps it"
    for valve in problem.valves:
        called_in = valve.min_nm <= valve.passes_nm <= valve.max_nm and valve.adjust == "auto"
        if called_in and actions[valve.label] in _NEW_SHIM and valve.label not in givers:
            yield f"{valve.label}: opened though in spec and nobody takes its shim"
    lots = Counter(choice.from_lot for choice in plan.choices if choice.from_lot is not None)
    for index, times in lots.items():
        if 0 <= index < len(problem.lots) and times > problem.lots[index].quantity:
            yield f"lot {index} holds {problem.lots[index].quantity}, but {times} are taken"


def _totals(problem: Problem, plan: Plan) -> Iterator[str]:
    changed = [
        (valve, choice)
        for valve, choice in zip(problem.valves, plan.choices, strict=True)
        if choice.action in _NEW_SHIM and choice.thickness_nm is not None and valve.shim is not None
    ]
    unresolved = sum(choice.action == "unresolved" for choice in plan.choices)
    score = Score(
        unresolved=unresolved,
        bought=sum(choice.action == "buy" for choice in plan.choices),
        not_guaranteed=sum(not choice.guaranteed for _, choice in changed),
        opened=unresolved + len(changed),
        stock_cost=sum(
            {"new": 2, "used": 1}[problem.lots[choice.from_lot].condition]
            + (2 if problem.lots[choice.from_lot].elsewhere else 0)
            for _, choice in changed
            if choice.from_lot is not None and 0 <= choice.from_lot < len(problem.lots)
        ),
        deviation_nm=sum(
            _nearest(abs(_after(problem, valve, choice.thickness_nm or 0, 0)[1] - valve.aim_nm))
            for valve, choice in changed
        ),
    )
    for name, right, given in zip(Score._fields, score, plan.score, strict=True):
        if right != given:
            yield f"score: {name} is {right}, not {given}"

    given_on = {choice.from_valve for choice in plan.choices}
    left_over = tuple(
        (valve.shim.thickness_nm, valve.label)
        for valve, choice in zip(problem.valves, plan.choices, strict=True)
        if valve.shim is not None
        and choice.action in ("unresolved", *_NEW_SHIM)
        and valve.label not in given_on
    )
    if tuple(plan.left_over) != left_over:
        yield f"left_over is {left_over}, not {plan.left_over}"
    buys = Counter(choice.thickness_nm for choice in plan.choices if choice.action == "buy")
    to_buy = tuple(sorted((nm, quantity) for nm, quantity in buys.items() if nm is not None))
    if tuple(plan.to_buy) != to_buy:
        yield f"to_buy is {to_buy}, not {plan.to_buy}"
    to_measure = tuple(choice.label for choice in plan.choices if choice.action == "measure")
    if tuple(plan.to_measure) != to_measure:
        yield f"to_measure is {to_measure}, not {plan.to_measure}"


def _sentence(valve: Valve, choice: Choice) -> Iterator[str]:
    why = choice.why
    if not why.endswith(".") or ". " in why or "\n" in why or not why[:1].isupper():
        yield f"why is not one sentence: {why!r}"
    if valve.passes_nm > 0 and f"{_mm(valve.passes_nm)} mm" not in why:
        yield f"why does not name the reading, {_mm(valve.passes_nm)} mm: {why!r}"
    if choice.thickness_nm is not None and f"{_mm(choice.thickness_nm)} mm" not in why:
        yield f"why does not name the {_mm(choice.thickness_nm)} mm shim: {why!r}"
    if choice.from_valve is not None and choice.from_valve not in why:
        yield f"why does not name {choice.from_valve}: {why!r}"
    if valve.passes_nm == 0 and not ("measure again" in why and "looked at" in why):
        yield f"why does not ask to measure again and have it looked at where there is no clearance: {why!r}"


def _verdict(valve: Valve) -> str:
    if not valve.min_nm <= valve.passes_nm <= valve.max_nm:
        return "tight" if valve.passes_nm < valve.min_nm else "loose"
    return "at_limit" if valve.stops_nm > valve.max_nm else "in_spec"


def _after(
    problem: Problem, valve: Valve, thickness_nm: int, unsure_nm: int
) -> tuple[Fraction, Fraction, Fraction]:
    """Least, called and most clearance with this shim in the valve, in nm."""
    if valve.shim is None:
        raise ValueError(f"the shim of {valve.label} is not known")
    own_unsure = (
        problem.uncertainty.micrometer_nm
        if valve.shim.known_by == "measured"
        else problem.uncertainty.unworn_nm
    )
    opens = (valve.shim.thickness_nm - thickness_nm) * problem.lash_ratio
    play = (own_unsure + unsure_nm) * problem.lash_ratio
    return valve.passes_nm + opens - play, valve.passes_nm + opens, valve.stops_nm + opens + play


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
