"""How shims are written and drawn on pages."""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from django import template
from django.utils.html import format_html_join
from django.utils.safestring import SafeString

from inventory.compute.lengths import LengthError, Unit, show
from inventory.compute.markings import MarkingRule, marking_of
from inventory.models import Condition, Place, PlaceKind, ShimFamily
from inventory.selectors.stock import SizeCount

register = template.Library()

# A drawn stack: so many units high in all, a shim no thicker than this.
STACK_HEIGHT = 84
SHIM_HEIGHT = 9
# More are drawn as so many, in proportion: nobody counts them, and a drawer of thousands makes a page of
# megabytes.
MOST_DRAWN = 42


@register.filter
def mm(nm: int | str | None) -> str:
    """The figure in millimetres for the eye, "2.650"; "" where there is none."""
    return "" if nm in (None, "") else show(nm)


@register.filter
def at_most(number: int, most: int) -> int:
    """The number, or the most that a drawing has room for."""
    return min(number, most)


@register.filter
def in_unit(nm: int | str | None, unit: str) -> str:
    """The figure in another unit for the eye; "" where there is none."""
    return "" if nm in (None, "") else show(nm, Unit(unit))


@register.filter
def size_key(code: str, size_nm: int) -> str:
    """The size of a family as the address of its history names it."""
    return f"{code}-{size_nm}"


@register.filter
def marking(nm: int, family: ShimFamily) -> str:
    """What is stamped on a new shim of this size; "–" where the family is not made in it."""
    if nm not in family.sizes_nm():
        return "–"
    try:
        return marking_of(MarkingRule(family.marking), nm)
    except LengthError:
        return "–"


@register.filter
def place_words(place: Place) -> str:
    """A place in words: "bin B07", "tray 3", "receiving"."""
    if place.kind in (PlaceKind.BIN, PlaceKind.TRAY):
        return f"{place.get_kind_display().lower()} {place.code}"
    return place.get_kind_display().lower()


@register.filter
def condition_words(condition: str) -> str:
    """A condition as people call it: "New", "Used"."""
    return Condition(condition).label


@register.filter
def is_in(value: Any, among: Collection[Any]) -> bool:
    return value in among


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """One thickness as a stack of shims, ready to draw. `held_height` is that of the bracket beside it."""

    count: SizeCount
    shims: SafeString
    held_height: float


@register.inclusion_tag("inventory/_stacks.html")
def stacks(counts: Sequence[SizeCount]) -> dict[str, Any]:
    """Every thickness as a stack: new and used shims, those held, and a mark where there is none."""
    tallest = max((count.on_hand for count in counts), default=0)
    per_drawn = max(tallest / MOST_DRAWN, 1)
    pitch = min(SHIM_HEIGHT, STACK_HEIGHT * per_drawn / tallest) if tallest else SHIM_HEIGHT
    return {"height": STACK_HEIGHT, "stacks": [_stack(count, pitch, per_drawn) for count in counts]}


def _stack(count: SizeCount, pitch: float, per_drawn: float) -> Stack:
    """`per_drawn`: how many shims one that is drawn stands for; of what is there at least one is drawn."""
    used, new = (math.ceil(number / per_drawn) for number in (count.used, count.new))
    drawn = ([("used", 12, 32)] * used + [("new", 9, 38)] * new)[:MOST_DRAWN]
    height = f"{pitch * 0.78:.2f}"
    return Stack(
        count=count,
        # Joined here: in the template a shim took as long as all else of its stack, and there are hundreds.
        shims=format_html_join(
            "",
            '<rect class="shim-{}" x="{}" y="{}" width="{}" height="{}" rx="1.5"/>',
            (
                (kind, x, f"{STACK_HEIGHT - (index + 1) * pitch:.2f}", width, height)
                for index, (kind, x, width) in enumerate(drawn)
            ),
        ),
        held_height=round(count.held / per_drawn * pitch, 2),
    )
