"""Why a plan does what it does with a valve: one plain sentence, in the trade's words; lengths in mm, and
clearances that were felt in thou in thou as well.

Promise
    Every sentence is true of the best plan, not only of the valve: that nothing to spare fits before
    something is bought follows from `bought` being ranked above everything that taking a spare shim costs;
    that a valve in spec was opened because another needs its shim, from `opened`. Under a `Preference` by
    which either does not follow it is not said.
"""

from fractions import Fraction
from functools import lru_cache
from math import ceil, floor

from inventory.compute.lengths import Unit, show
from jobs.compute.planner.preference import USUAL, Preference
from jobs.compute.planner.types import NewShim, Problem, Valve
from jobs.compute.readings import Verdict
from jobs.compute.windows import called_window

_MICROMETRE_NM, _HUNDREDTH_NM, _HALF_THOU_NM = 1_000, 10_000, 12_700
LOOK = "have it looked at by someone qualified"


def why_kept(valve: Valve, said: Verdict) -> str:
    """For a valve that keeps its own shim."""
    shim = "its shim, not known, stays" if valve.shim is None else f"its {own_words(valve)} shim stays"
    if said in ("tight", "loose"):
        shim = f"marked never to be opened, so {shim}"
    advice = f", but measure again and {LOOK}" if valve.passes_nm == 0 else ""
    return f"{reading_words(valve, said)}; {shim}{advice}."


def why_measured(valve: Valve, said: Verdict) -> str:
    """For a valve that needs a change but whose shim is not known."""
    advice = f"; measure again after fitting and {LOOK}" if valve.passes_nm == 0 else ""
    return (
        f"{reading_words(valve, said)}{marked_words(valve, said)}; "
        f"measure its shim first, since none can be chosen without its thickness{advice}."
    )


def why_changed(
    valve: Valve,
    said: Verdict,
    shim: NewShim,
    called_nm: int,
    *,
    guaranteed: bool,
    taker: str | None,
    preference: Preference = USUAL,
) -> str:
    """For a valve that gets another shim. `taker` is the valve that gets its own one, if any does."""
    because = marked_words(valve, said)
    if not because and said in ("in_spec", "at_limit") and taker is not None:
        needs = "needs" if preference.ranks == USUAL.ranks else "gets"
        because = f", but {taker} {needs} its {own_words(valve)} shim"
    thickness = mm(shim.thickness_nm)
    match shim.action:
        case "swap":
            way = f"the {thickness} mm shim out of {shim.from_label}"
        case "stock":
            where = "from another site" if shim.elsewhere else "from stock"
            way = f"a {shim.condition} {thickness} mm shim {where}"
        case _ if preference.ranks == USUAL.ranks and preference.used:
            way = f"nothing to spare in engine or stock fits, so a new {thickness} mm shim, to be bought,"
        case _:
            way = f"a new {thickness} mm shim, to be bought,"
    if valve.passes_nm == 0:
        advice = f", so measure again after fitting and {LOOK}"
    elif guaranteed:
        advice = ""
    else:
        advice = ", not certain to be inside, so measure again after fitting"
    return (
        f"{reading_words(valve, said)}{because}; {way} brings it to {brought_to(valve, called_nm)}{advice}."
    )


def why_unresolved(problem: Problem, valve: Valve, said: Verdict, preference: Preference = USUAL) -> str:
    """For a valve that needs a change and gets no shim; the problem without what may not be taken."""
    advice = f"; measure again after fitting and {LOOK}" if valve.passes_nm == 0 else ""
    nothing = _nothing_fits(problem, valve, preference)
    return f"{reading_words(valve, said)}{marked_words(valve, said)}; {nothing}{advice}."


def _nothing_fits(problem: Problem, valve: Valve, preference: Preference) -> str:
    if valve.shim is None:
        raise ValueError(f"the shim of {valve.label} is not known")
    window = called_window(
        valve.shim.thickness_nm, valve.passes_nm, valve.min_nm, valve.max_nm, problem.lash_ratio
    )
    low, high = inward(window.low, window.high)
    between = f"between {mm(low)} and {mm(high)} mm"
    others = [
        other.shim.thickness_nm
        for other in problem.valves
        if other.shim is not None and other is not valve and other.adjust != "never"
    ]
    stock = [lot.thickness_nm for lot in problem.lots]
    here = "" if preference.used else ", used ones left where they are"
    if any(window.holds(thickness) for thickness in (*others, *stock)):
        buying = "the catalogue has none there" if preference.buy else "nothing is to be bought"
        return f"every shim {between} is needed in another valve{here}, and {buying}"
    if not preference.buy:
        return f"no shim in engine or stock lies {between}{here}, and nothing is to be bought"
    # Only a catalogue says what is made: without one, nothing is known beyond what lies in stock.
    made = (*problem.catalogue_nm, *stock) if problem.catalogue_nm else ()
    if made and window.high < min(made):
        limit = f"it takes {mm(high)} mm or less and {mm(min(made))} mm is the thinnest"
    elif made and window.low > max(made):
        limit = f"it takes {mm(low)} mm or more and {mm(max(made))} mm is the thickest"
    else:
        return f"nothing that can be had from engine, stock or catalogue lies {between}{here}"
    return f"no such size exists, {limit}, so the engine wants a qualified look"


def reading_words(valve: Valve, said: Verdict) -> str:
    """How a sentence about a valve begins: its verdict, its reading and the spec, as they were felt."""
    return _reading_words(valve.min_nm, valve.max_nm, valve.passes_nm, valve.stops_nm, said)


# Leaves and specs are few, so the same readings come again and again, in one engine as from job to job.
@lru_cache(maxsize=4096)
def _reading_words(min_nm: int, max_nm: int, passes_nm: int, stops_nm: int, said: Verdict) -> str:
    least, most, called = felt(min_nm), felt(max_nm), felt(passes_nm)
    if passes_nm == 0:
        return f"No clearance: the thinnest leaf does not pass, {least} is the least"
    match said:
        case "tight":
            return f"Tight: {called} called, {least} is the least"
        case "loose":
            return f"Loose: {called} called, {most} is the most"
        case "at_limit":
            return f"At the limit: {called} passes, {felt(stops_nm)} does not, {most} is the most"
        case "in_spec":
            allowed = f"{mm(min_nm)} to {mm(max_nm)} mm"
            if in_thou(min_nm) and in_thou(max_nm):
                allowed = f"{_thou(min_nm)} to {_thou(max_nm)} thou ({allowed})"
            return f"In spec: {called} called, {allowed} is allowed"


def in_thou(nm: int) -> bool:
    """Whether a clearance was most likely keyed in inches: whole half thous that are no hundredths of a mm.
    Up to 1.27 mm no length is both.
    """
    return nm % _HALF_THOU_NM == 0 != nm % _HUNDREDTH_NM


@lru_cache(maxsize=4096)
def felt(nm: int) -> str:
    """A clearance that somebody felt or that a spec gives, with its unit; in thou too where it is in thou."""
    return f"{_thou(nm)} thou ({show(nm)} mm)" if in_thou(nm) else f"{show(nm)} mm"


def brought_to(valve: Valve, called_nm: int) -> str:
    """The clearance that a valve is to get, with its unit; in thou too where the valve was read in thou."""
    thou = f" ({_thou(called_nm, places=1)} thou)" if in_thou(valve.passes_nm) else ""
    return f"{about_mm(called_nm)} mm{thou}"


@lru_cache(maxsize=4096)
def _thou(nm: int, places: int | None = None) -> str:
    return show(nm, Unit.THOU, places)


def marked_words(valve: Valve, said: Verdict) -> str:
    """What follows where a valve is changed although it is in spec, because somebody said so."""
    return (
        ", but marked to be changed" if valve.adjust == "always" and said in ("in_spec", "at_limit") else ""
    )


def own_words(valve: Valve) -> str:
    """The thickness of its own shim; empty while that is not known."""
    return "" if valve.shim is None else f"{mm(valve.shim.thickness_nm)} mm"


def inward(low: Fraction, high: Fraction) -> tuple[int, int]:
    """The window in whole nanometres; where a lash ratio makes its ends endless, in whole micrometres if
    any lie inside. Never wider than it is.
    """
    if low.denominator == high.denominator == 1:
        return int(low), int(high)
    micrometres = ceil(low / _MICROMETRE_NM) * _MICROMETRE_NM, floor(high / _MICROMETRE_NM) * _MICROMETRE_NM
    return micrometres if micrometres[0] <= micrometres[1] else (ceil(low), floor(high))


@lru_cache(maxsize=4096)
def about_mm(nm: int) -> str:
    """A computed figure: as it is where four decimals hold it, which all leaves and shims need; what a lash
    ratio makes finer than that nobody can read off a leaf, so it gets three.
    """
    return show(nm, places=3) if nm % 100 else mm(nm)


@lru_cache(maxsize=4096)
def mm(nm: int) -> str:
    """A length that somebody keyed or that is marked on a shim, without its unit."""
    return show(nm)
