"""Markings: from the number stamped on a shim's face to its thickness, and back.

Promise
    For every size a family is made in, `thickness_of_marking` undoes `marking_of` exactly, or
    `check_marking_rule` refuses the pair of rule and family beforehand. A marking that fits no size, or
    two, is refused; it is never rounded to one.

Common practice, no source: a shim stamped 2625, or 2.625 in full, is 2.625 mm thick; makers who stamp three
digits drop the last one, so 265 is 2.650 mm and 262 is 2.625 mm.
"""

from enum import StrEnum

from inventory.compute.lengths import NM_PER, LengthError, Unit, parse, show
from inventory.compute.sizes import FamilyRange, nearest_size, on_grid, sizes

_HUNDREDTH_NM = 10_000


class MarkingRule(StrEnum):
    """How a maker stamps the thickness."""

    THOUSANDTHS = "thousandths"
    """All four digits, in thousandths of a millimetre: 2625."""
    HUNDREDTHS = "hundredths"
    """Three digits, in hundredths of a millimetre, what is left over dropped: 262 for 2.625 mm."""
    DECIMAL = "decimal"
    """In full, in millimetres: 2.625."""


_EXPLAINED: dict[MarkingRule, str] = {
    MarkingRule.THOUSANDTHS: "four digits, thousandths of a millimetre",
    MarkingRule.HUNDREDTHS: "three digits, hundredths of a millimetre with the last digit dropped",
    MarkingRule.DECIMAL: "the thickness in millimetres with its point",
}


def marking_of(rule: MarkingRule, nm: int) -> str:
    """What is stamped on a shim of this made size. Raises LengthError for a size the rule cannot stamp:
    a fraction of a thousandth of a millimetre, where the rule shows thousandths.
    """
    if rule is MarkingRule.HUNDREDTHS:
        return f"{nm // _HUNDREDTH_NM:03d}"
    if not _can_stamp(rule, nm):
        below = nm - nm % NM_PER[Unit.UM]
        raise LengthError(
            f"{show(nm)} mm cannot be stamped in whole thousandths of a millimetre: "
            f"{show(below)} mm and {show(below + NM_PER[Unit.UM])} mm can."
        )
    return f"{nm // NM_PER[Unit.UM]:04d}" if rule is MarkingRule.THOUSANDTHS else show(nm, places=3)


def thickness_of_marking(rule: MarkingRule, text: str, family: FamilyRange) -> int:
    """The made size in nanometres of a shim of this family stamped with `text`.

    Raises LengthError when no size of the family, or more than one, carries that marking.
    """
    marking = text.strip()
    if not marking:
        raise LengthError("The marking is missing: key in what is stamped on the shim's face.")
    found = _sizes_marked(rule, marking, family)
    if len(found) == 1:
        return found[0]
    if found:
        raise LengthError(
            f"The marking {marking} stands on more than one size of this family, "
            f"{show(found[0])} mm and {show(found[1])} mm: measure the shim."
        )
    raise LengthError(_no_such_marking(rule, marking, family))


def check_marking_rule(rule: MarkingRule, family: FamilyRange) -> None:
    """Raises LengthError unless every size of the family can be told from its marking by this rule."""
    seen: dict[str, int] = {}
    for nm in sizes(family):
        marking = marking_of(rule, nm)
        if marking in seen:
            raise LengthError(
                f"By this marking rule ({_EXPLAINED[rule]}) {show(seen[marking])} mm and {show(nm)} mm "
                f"would both be stamped {marking}: choose a rule that shows every digit."
            )
        seen[marking] = nm


def _sizes_marked(rule: MarkingRule, marking: str, family: FamilyRange) -> list[int]:
    if rule is MarkingRule.DECIMAL:
        # Makers stamp 2.65 and 2.650 alike, so it is read as a length instead of compared as text.
        try:
            nm = parse(marking, Unit.MM).nm
        except LengthError:
            return []
        return [nm] if on_grid(family, nm) else []
    return [nm for nm in sizes(family) if _can_stamp(rule, nm) and marking_of(rule, nm) == marking]


def _can_stamp(rule: MarkingRule, nm: int) -> bool:
    return rule is MarkingRule.HUNDREDTHS or nm % NM_PER[Unit.UM] == 0


def _no_such_marking(rule: MarkingRule, marking: str, family: FamilyRange) -> str:
    shown = marking if marking.isprintable() and len(marking) <= 12 else "as keyed"
    example = nearest_size(family, (family.min_nm + family.max_nm) // 2)
    for other in MarkingRule:
        elsewhere = _sizes_marked(other, marking, family) if other is not rule else []
        if elsewhere:
            example = elsewhere[0]
            break
    return (
        f"No shim of this family is stamped {shown}: it is made from {family}, and stamped with "
        f"{_EXPLAINED[rule]}, so that {marking_of(rule, example)} is {show(example)} mm."
    )
