"""The body of POST /plans, read as DESIGN.md ("The API") has it, every wrong value named."""

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from api import checking
from api.checking import Errors
from api.words import ADJUSTS, KNOWN_BY, PLANNABLE_CONDITIONS
from inventory.compute.lengths import Length, next_leaf, plausible_clearance, plausible_shim
from jobs.compute.planner import OwnShim, Valve, default_aim

MOST_VALVES, MOST_LOTS, MOST_SIZES, MOST_QUANTITY = 64, 5_000, 5_000, 100_000
MOST_LABEL, MOST_CODE = 40, 20
REFUSED = "This cannot be planned:"
_ratio = re.compile(r"[0-9]{1,4}(?:\.[0-9]{1,6})?").fullmatch
_MOST_RATIO = 1_000


@dataclass(frozen=True, slots=True)
class LotKeyed:
    """A line of the request's stock. `thickness` as it was keyed."""

    thickness: Length
    condition: str
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBody:
    """What was asked. None where a key was not there; an empty list is one that was.

    `shims`: each valve's own shim as it was keyed, None where it is not known.
    """

    family: str | None
    site: str | None
    stock: list[LotKeyed] | None
    catalogue: list[Length] | None
    lash_ratio: Fraction
    valves: tuple[Valve, ...]
    shims: list[Length | None]


def read_plan_body(data: Any) -> PlanBody:
    """The request, or Invalid with a pointer to each value that is wrong."""
    errors = Errors()
    body = checking.fields(
        data, "", errors, needed=("valves",), may=("family", "site", "stock", "catalogue", "lash_ratio")
    )
    if body is None:
        errors.raise_if_any(REFUSED)
        raise AssertionError("a body without fields is an error")
    family = checking.text(body["family"], "/family", errors, MOST_CODE) if "family" in body else None
    site = checking.text(body["site"], "/site", errors, MOST_CODE) if "site" in body else None
    if "site" in body and "stock" in body:
        errors.add("/site", "give either a site, whose stock is meant, or stock, not both")
    if "family" not in body and not ("stock" in body and "catalogue" in body):
        errors.add("/family", "is needed unless both stock and catalogue are given")
    stock = _stock(body["stock"], errors) if "stock" in body else None
    catalogue = _catalogue(body["catalogue"], errors) if "catalogue" in body else None
    ratio = _lash_ratio(body.get("lash_ratio", "1"), errors)
    valves, shims = _valves(body["valves"], errors)
    errors.raise_if_any(REFUSED)
    return PlanBody(
        family=family,
        site=site,
        stock=stock,
        catalogue=catalogue,
        lash_ratio=ratio,
        valves=tuple(valves),
        shims=shims,
    )


def _stock(value: Any, errors: Errors) -> list[LotKeyed]:
    lots: list[LotKeyed] = []
    for index, line in enumerate(checking.items(value, "/stock", errors, 0, MOST_LOTS) or ()):
        at = f"/stock/{index}"
        lot = checking.fields(line, at, errors, needed=("thickness", "condition", "quantity"))
        if lot is None:
            continue
        thickness = checking.length(lot["thickness"], f"{at}/thickness", errors, plausible_shim, "shim")
        condition = checking.word(lot["condition"], f"{at}/condition", errors, PLANNABLE_CONDITIONS)
        quantity = lot["quantity"]
        if type(quantity) is not int or not 1 <= quantity <= MOST_QUANTITY:
            errors.add(f"{at}/quantity", f"must be a whole number from 1 to {MOST_QUANTITY:,}")
        elif thickness is not None and condition is not None:
            lots.append(LotKeyed(thickness, condition, quantity))
    return lots


def _catalogue(value: Any, errors: Errors) -> list[Length]:
    sizes = []
    for index, size in enumerate(checking.items(value, "/catalogue", errors, 0, MOST_SIZES) or ()):
        thickness = checking.length(size, f"/catalogue/{index}", errors, plausible_shim, "shim")
        if thickness is not None:
            sizes.append(thickness)
    return sizes


def _lash_ratio(value: Any, errors: Errors) -> Fraction:
    if type(value) is not str or not _ratio(value) or not 0 < Fraction(value) <= _MOST_RATIO:
        errors.add(
            "/lash_ratio",
            f'must be a decimal as a text, "1.25" or "0.5" say, with a digit before the point: above 0, '
            f"at most {_MOST_RATIO}, at most six decimals",
        )
        return Fraction(1)
    return Fraction(value)


def _valves(value: Any, errors: Errors) -> tuple[list[Valve], list[Length | None]]:
    valves: list[Valve] = []
    shims: list[Length | None] = []
    seen: dict[str, int] = {}
    for index, entry in enumerate(checking.items(value, "/valves", errors, 1, MOST_VALVES) or ()):
        at = f"/valves/{index}"
        valve = checking.fields(
            entry, at, errors, needed=("label", "spec", "clearance", "shim"), may=("aim", "adjust")
        )
        if valve is None:
            continue
        label = checking.text(valve["label"], f"{at}/label", errors, MOST_LABEL)
        if label is not None and seen.setdefault(label, index) != index:
            errors.add(f"{at}/label", f"is the label of valve {seen[label] + 1} already")
            label = None
        spec = _spec(valve["spec"], f"{at}/spec", errors)
        aim = _aim(valve, at, spec, errors)
        adjust = checking.word(valve.get("adjust", "auto"), f"{at}/adjust", errors, ADJUSTS)
        reading = _clearance(valve["clearance"], f"{at}/clearance", errors)
        known, shim, known_by = _shim(valve["shim"], f"{at}/shim", errors)
        if None in (label, spec, aim, adjust, reading) or not known:
            continue
        valves.append(
            Valve(
                label=label,
                min_nm=spec[0],
                max_nm=spec[1],
                aim_nm=aim,
                passes_nm=reading[0],
                stops_nm=reading[1],
                shim=None if shim is None else OwnShim(thickness_nm=shim.nm, known_by=known_by),
                adjust=adjust,
            )
        )
        shims.append(shim)
    return valves, shims


def _spec(value: Any, at: str, errors: Errors) -> tuple[int, int] | None:
    spec = checking.fields(value, at, errors, needed=("min", "max"))
    if spec is None:
        return None
    low = checking.length(spec["min"], f"{at}/min", errors, plausible_clearance, "the least clearance")
    high = checking.length(spec["max"], f"{at}/max", errors, plausible_clearance, "the most clearance")
    if low is None or high is None:
        return None
    if low.nm >= high.nm:
        errors.add(f"{at}/min", f"{low} is not below the most, {high}")
        return None
    return low.nm, high.nm


def _aim(valve: dict[str, Any], at: str, spec: tuple[int, int] | None, errors: Errors) -> int | None:
    if "aim" not in valve:
        return None if spec is None else default_aim(*spec)
    aim = checking.length(valve["aim"], f"{at}/aim", errors, plausible_clearance, "the aim")
    if aim is None or spec is None:
        return None
    if not spec[0] <= aim.nm <= spec[1]:
        errors.add(f"{at}/aim", f"{aim} lies outside the spec")
        return None
    return aim.nm


def _clearance(value: Any, at: str, errors: Errors) -> tuple[int, int] | None:
    reading = checking.fields(value, at, errors, needed=("passes",), may=("stops",))
    if reading is None:
        return None
    passes = checking.length(
        reading["passes"], f"{at}/passes", errors, plausible_clearance, "the leaf that passes"
    )
    if "stops" not in reading:
        return None if passes is None else (passes.nm, next_leaf(passes).nm)
    stops = checking.length(
        reading["stops"], f"{at}/stops", errors, plausible_clearance, "the leaf that stops"
    )
    if passes is None or stops is None:
        return None
    if stops.nm <= passes.nm:
        errors.add(f"{at}/stops", f"{stops} is not thicker than the leaf that passes, {passes}")
        return None
    return passes.nm, stops.nm


def _shim(value: Any, at: str, errors: Errors) -> tuple[bool, Length | None, str]:
    """(whether it could be read, the own shim, how it is known); null is a shim that nobody knows."""
    if value is None:
        return True, None, ""
    shim = checking.fields(value, at, errors, needed=("thickness", "known_by"))
    if shim is None:
        return False, None, ""
    thickness = checking.length(shim["thickness"], f"{at}/thickness", errors, plausible_shim, "shim")
    known_by = checking.word(shim["known_by"], f"{at}/known_by", errors, KNOWN_BY)
    return thickness is not None and known_by is not None, thickness, known_by or ""
