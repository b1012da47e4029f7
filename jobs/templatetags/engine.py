"""Words and marks for valves, readings and plans."""

import re

from django import template
from django.utils.html import conditional_escape, format_html
from django.utils.safestring import SafeString, mark_safe

from jobs.models import ClearanceReading, HandOver, Job, PlanLine
from jobs.services.handing_over import instruction as instruction_of
from jobs.ui.drawing import source_of, tag_of
from jobs.ui.sheet_forms import figure, next_leaf_shown
from jobs.ui.sheet_forms import shown_passes as passes_of
from shop.templatetags.page_marks import mark

register = template.Library()

VERDICTS = {
    "in_spec": "In spec",
    "at_limit": "At the limit",
    "tight": "Tight",
    "loose": "Loose",
}
ACTIONS = {
    "keep": ("keep", "Keep"),
    "swap": ("swap", "Swap"),
    "tray": ("bin", "From the tray"),
    "stock": ("bin", "From bin"),
    "order": ("cart", "Is on order"),
    "buy": ("cart", "Buy"),
    "unresolved": ("none", "None is made"),
    "measure": ("caliper", "Measure first"),
}
# How a size stands that an engine may want: the mark, and the word beside it.
SHELF = {
    "missing": ("tight", "Missing"),
    "short": ("loose", "Too few"),
    "last": ("at_limit", "The last one"),
    "here": ("in_spec", "Here"),
}
# DESIGN.md, "Cautions": on every job sheet, and where it matters.
CAUTIONS = (
    "The engine is stone cold; the ignition is off and the engine cannot be started.",
    "Turn it by hand only, never with a shim out or a holding tool in place.",
    "Wear eye protection: a shim can spring out. Keep grit out.",
    "Shims go in with the marked face away from the cam.",
    "After fitting turn the engine two full turns by hand and measure again before it is started.",
    "A valve with no clearance, or one that moved a lot since last time, wants a look by someone qualified.",
    "The engine maker’s service manual decides: spec, method and order of work. Local rules and licensed "
    "practice come first.",
)


_LABEL = re.compile(r"\b\d{1,2}-(?:IN|EX)(?:-\w{1,2})?\b")


@register.filter
def whole_labels(sentence: str) -> SafeString:
    """The sentence with every valve's label kept on one line."""
    # The pattern matches letters, digits and hyphens only, so that what was escaped stays so.
    return mark_safe(_LABEL.sub(r'<span class="nowrap">\g<0></span>', conditional_escape(sentence)))  # noqa: S308


@register.simple_tag
def verdict(name: str | None) -> SafeString:
    """The verdict as colour, shape and word."""
    if not name:
        return format_html('<span class="verdict verdict-unread">{}Not read</span>', mark("unread"))
    return format_html('<span class="verdict verdict-{}">{}{}</span>', name, mark(name), VERDICTS[name])


@register.simple_tag
def shelf(state: str) -> SafeString:
    """How a wanted size stands in the bins, as colour, shape and word."""
    shape, word = SHELF[state]
    return format_html('<span class="verdict verdict-{}">{}{}</span>', shape, mark(shape), word)


@register.simple_tag
def action(line: PlanLine) -> SafeString:
    """What the plan does with a valve, as mark and words, with where the shim comes from."""
    shape, words = ACTIONS[line.action]
    where = ""
    if line.handed_over:
        words, where = "Take", f" {source_of(line)}"
    elif line.action == "swap":
        where = f" {tag_of(line)}"
    elif line.action == "stock":
        words, where = "Bin", f" {tag_of(line)}"
    return format_html(
        '<span class="action action-{}">{}<span>{}{}</span></span>', line.action, mark(shape), words, where
    )


@register.simple_tag
def instruction(row: HandOver) -> str:
    """What to carry where, one sentence."""
    return instruction_of(row)


@register.simple_tag
def cautions() -> tuple[str, ...]:
    return CAUTIONS


@register.filter
def next_leaf(reading: ClearanceReading | None, unit: str) -> str:
    """The leaf meant where none is keyed as the one that stops."""
    return next_leaf_shown(reading, unit)


@register.filter
def as_read(reading: ClearanceReading | None, unit: str) -> str:
    """The leaf that passed, as its field shows it."""
    return passes_of(reading, unit)


@register.filter
def keyed_in(keyed: str, unit: str) -> str:
    """What was keyed, without its unit where that is the one beside it."""
    return figure(keyed, unit)


@register.filter
def names_unit(figure_shown: object) -> bool:
    """Whether a field's figure brings its own unit, so that the field's must not stand behind it."""
    return any(character.isalpha() or character in '"\u2033\u201d' for character in str(figure_shown or ""))


@register.filter
def state_class(job: Job) -> str:
    """The name under which the style sheet has the job's state."""
    return f"state-{job.state}"
