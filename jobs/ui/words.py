"""A plan in sentences."""

from collections import Counter
from collections.abc import Sequence

from inventory.compute.lengths import show
from inventory.models import Condition
from jobs.models import Plan, PlanLine
from jobs.selectors.plans import CHANGES


def counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def score_words(plan: Plan, lines: Sequence[PlanLine]) -> list[str]:
    """What the plan comes to, in the order in which plans are ranked; one sentence each."""
    actions = Counter(line.action for line in lines)
    used = sum(line.action == "stock" and line.condition == Condition.USED for line in lines)
    said = []
    if plan.unresolved:
        said.append(
            f"{counted(plan.unresolved, 'valve needs', 'valves need')} a shim that is not made: "
            "somebody qualified has to look."
        )
    if actions["measure"]:
        said.append(
            f"{counted(actions['measure'], 'shim has', 'shims have')} to be measured first; then plan again."
        )
    if not plan.opened:
        if not said:
            said.append("Every valve may stay as it is.")
        return said
    said.append(f"{counted(plan.opened, 'valve is', 'valves are')} opened.")
    others = sum(line.handed_over for line in lines)
    parts = [
        (others, "shim comes from another job", "shims come from other jobs"),
        (
            sum(line.action == "swap" and not line.handed_over for line in lines),
            "shim moves within the engine",
            "shims move within the engine",
        ),
        (
            sum(line.action == "tray" and not line.handed_over for line in lines),
            "shim comes out of its tray",
            "shims come out of its tray",
        ),
        (actions["stock"] - used, "new shim comes from a bin", "new shims come from bins"),
        (used, "used shim comes from a bin", "used shims come from bins"),
    ]
    moved = [counted(count, one, many) for count, one, many in parts if count]
    if moved:
        said.append(f"{_joined(moved)}.")
    said.append(
        f"{counted(plan.bought, 'shim has', 'shims have')} to be bought."
        if plan.bought
        else "Nothing is bought."
    )
    if plan.awaited:
        said.append(f"{counted(plan.awaited, 'shim is', 'shims are')} on order already.")
    changed = sum(actions[action] for action in CHANGES)
    if changed and plan.not_guaranteed:
        said.append(
            f"{plan.not_guaranteed} of {changed} changed valves "
            f"{'is' if plan.not_guaranteed == 1 else 'are'} in spec as called, but not for certain."
        )
    elif changed:
        said.append("Every changed valve is in spec for certain.")
    if changed:
        said.append(f"{show(plan.deviation_nm)} mm off the aim, all changed valves together.")
    return said


def to_buy_words(lines: Sequence[PlanLine]) -> list[tuple[int, int]]:
    """(thickness, how many) of what the plan buys, thinnest first."""
    return sorted(
        Counter(line.thickness_nm for line in lines if line.action == "buy" and line.thickness_nm).items()
    )


def _joined(parts: Sequence[str]) -> str:
    text = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return text[:1].upper() + text[1:]
