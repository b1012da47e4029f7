"""What happened and how sure that is, in the words of the trade."""

from collections.abc import Sequence

from inventory.compute.lengths import show
from jobs.compute.exchange.evidence import Hypothesis
from jobs.compute.exchange.types import Cause, Fitting, Outcome

_MICROMETRE_NM = 1000
_UNIT_WORDS = {
    "unit_before": "clearance before the fit",
    "unit_after": "clearance after the fit",
    "unit_removed": "shim that came out",
    "unit_fitted": "shim that went in",
}


def cause_words(fitting: Fitting, outcomes: Sequence[Outcome], one: Hypothesis) -> str:
    """One sentence on what may have happened, with the figures that speak for it."""
    off = [_off_words(outcomes[valve]) for valve in one.valves]
    labels = [fitting.valves[valve].label for valve in one.valves]
    if one.kind == "exchange":
        first, second = (fitting.valves[valve].fitted_nm for valve in one.valves)
        return (
            f"The shims of {labels[0]} and {labels[1]} are in each other's places: {labels[0]} came out "
            f"{off[0]} and {labels[1]} {off[1]}, and the two shims are {mm(abs(first - second))} mm apart."
        )
    if one.kind == "ring":
        next_one = [*labels[1:], labels[0]]
        has = [f"{label} has that of {other}" for label, other in zip(labels, next_one, strict=True)]
        came = [f"{label} came out {words}" for label, words in zip(labels, off, strict=True)]
        return f"The shims of {listed(labels)} went round: {listed(has)}. {listed(came)}."
    if one.kind == "upside_down":
        return (
            f"The used shim of {labels[0]} lies with its worn face to the cam: it came out {off[0]}, and a "
            "micrometer reads a worn shim at its rim."
        )
    if one.kind == "wrong_reading":
        return (
            f"A reading of {labels[0]} cannot be right, before or after: it came out {off[0]}, which no "
            "shim of this engine explains."
        )
    valve = fitting.valves[one.valves[0]]
    keyed = {
        "unit_before": valve.before_nm[0],
        "unit_after": valve.after_nm[0],
        "unit_removed": valve.removed_nm,
        "unit_fitted": valve.fitted_nm,
    }[one.kind]
    return (
        f"The {_UNIT_WORDS[one.kind]} of {labels[0]}, {mm(keyed)} mm, was keyed in the wrong unit: read as "
        f"{_unit_words(one.factor)} it is {mm(round(keyed * one.factor))} mm, and it came out {off[0]}."
    )


def finding_words(causes: Sequence[Cause], *, explained: bool) -> str:
    """The finding in a few sentences, with how sure it is."""
    first = causes[0]
    if explained:
        return f"{_how_sure(first.probability)}: {_lower(first.say)}"
    ways = " Or: ".join(f"{cause.say} ({_percent(cause.probability)})" for cause in causes)
    return f"Something is wrong with {listed(first.labels)}, but not surely what. {ways}"


def listed(words: Sequence[str]) -> str:
    """Words as a sentence lists them; one stands alone."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _how_sure(probability: float) -> str:
    words = "Almost certain" if probability >= 0.99 else "Very likely"
    return f"{words} ({_percent(probability)})"


def _percent(probability: float) -> str:
    """Never 100: nothing read off a leaf is beyond doubt."""
    if probability >= 0.999:
        return "over 99.9 %"
    return f"{probability * 100:.1f} %" if probability >= 0.99 else f"{probability * 100:.0f} %"


def _off_words(outcome: Outcome) -> str:
    if not outcome.off_nm:
        return "as planned"
    return f"{mm(abs(outcome.off_nm))} mm {'looser' if outcome.off_nm > 0 else 'tighter'} than planned"


def _unit_words(factor: float) -> str:
    if factor > 1:
        return "inches" if factor > 10 else "thousandths of an inch"
    return "millimetres" if factor < 0.1 else "hundredths of a millimetre"


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def mm(nm: int) -> str:
    """A length as it is where three decimals hold it, else rounded to them."""
    return show(nm) if nm % _MICROMETRE_NM == 0 else show(nm, places=3)
