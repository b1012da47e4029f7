"""The inspection of a recovered shim: face, marking, one to three readings, and what is proposed."""

from collections.abc import Sequence
from datetime import datetime

from inventory.compute.inspection import (
    MOST_READINGS,
    Face,
    Fate,
    Judged,
    ReadingsDisagree,
    judge,
    propose,
)
from inventory.compute.lengths import Length, LengthError, from_nm, meant, parse_text, plausible_shim, show
from inventory.compute.sizes import USED_BEYOND_NM, check_used_shim
from inventory.models import Condition, Inspection, Place, Reason, ShimFamily
from inventory.selectors.putaway import proposed_for
from inventory.services.inspection_fate import keep_looked_again, lock_bench, waiting_one
from inventory.services.ledger import Line, ShimKey, available, lock_places, post_movement
from inventory.services.shim_lines import Shims, refuse
from shop.actor import Actor
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, NotEnough
from shop.models import Site
from shop.roles import Action


@write_transaction
def inspect_shim(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    found: Shims,
    readings: Sequence[Length],
    face: str,
    marking_legible: bool,
    again: Inspection | None = None,
) -> Inspection:
    """Look at one shim on the bench: it counts at what the readings come to, and a bin or scrap is proposed.

    found: as the books have it; one shim whatever its quantity. readings: one, or two or three on demand; for
    a pitted face none is needed. again: an earlier inspection of the same shim, which this one replaces.
    A reading more than 0.1 mm outside the family's range leaves the shim as it is, with scrap proposed,
    unless the figure looks like a slip of the unit. Raises Invalid with code `readings-disagree` when they
    lie too far apart, NotEnough when no such shim is on the bench, Conflict when that of `again` was taken
    from it.
    """
    actor.must(Action.INSPECT, site)
    look = _face(face)
    if found.condition == Condition.NEW:
        words = "A new shim needs no inspection; it counts at its marking."
        raise Invalid(words, errors=[FieldError("/found", "must be a used shim")])
    judged = _judged(found.family, readings, look)
    bench = lock_bench(site)
    earlier = waiting_one(again, site, [found]) if again else None
    thickness_nm = judged.thickness_nm if judged else found.thickness_nm
    proposal = propose(found.family.range, thickness_nm, look, marking_legible=marking_legible)
    proposed = proposed_for(site, found.family, thickness_nm).first if proposal.fate is Fate.BIN else None
    if proposed is not None:
        # Before the balances: what is written at the end refers to this bin.
        lock_places([proposed.pk])
    if judged and _measurable(found.family, thickness_nm):
        inspection = measure_shim(
            site=site,
            actor=actor,
            at=at,
            found=found,
            measured=_as_keyed(readings, thickness_nm),
            face=look.value,
            marking_legible=marking_legible,
        )
    else:
        _refuse_absent(bench, found)
        keyed = _as_keyed(readings, thickness_nm)
        inspection = Inspection(
            site=site,
            family=found.family,
            face=look.value,
            marking_legible=marking_legible,
            thickness_nm=keyed.nm,
            thickness_keyed=keyed.keyed,
            at=at,
            by=actor.label,
            found_nm=found.thickness_nm,
            found_condition=found.condition,
        )
    inspection.readings = [reading.keyed for reading in readings]
    inspection.spread_nm = judged.spread_nm if judged and len(readings) > 1 else None
    inspection.fate, inspection.why = proposal.fate.value, proposal.why
    inspection.proposed_bin = proposed
    inspection.save()
    keep_looked_again(inspection, earlier, bench=bench)
    return inspection


@write_transaction
def measure_shim(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    found: Shims,
    measured: Length,
    face: str,
    marking_legible: bool,
) -> Inspection:
    """Inspect one shim at the inspection place: from now on it counts at its measured thickness.

    Raises NotEnough when there is no such shim at the inspection place.
    """
    actor.must(Action.INSPECT, site)
    _refuse_bad_inspection(found, measured, face)
    inspection = lock_bench(site)
    here = ShimKey(found.family.id, inspection.id, found.thickness_nm, found.condition)
    movement = None
    if (found.thickness_nm, found.condition) != (measured.nm, Condition.USED):
        shim = {"place": inspection, "family_id": found.family.id, "pointer": "/found"}
        movement = post_movement(
            site=site,
            reason=Reason.MEASURE,
            actor=actor,
            at=at,
            lines=[
                Line(thickness_nm=found.thickness_nm, condition=found.condition, quantity=-1, **shim),
                Line(thickness_nm=measured.nm, condition=Condition.USED, quantity=1, **shim),
            ],
            note=f"face {face}",
        )
    elif not available(here):
        error = FieldError("/found", f"no used shim of {measured} is at the inspection place")
        raise NotEnough(f"Nothing was booked: {error.detail}.", errors=[error])
    return Inspection.objects.create(
        site=site,
        family=found.family,
        face=face,
        marking_legible=marking_legible,
        thickness_nm=measured.nm,
        thickness_keyed=measured.keyed,
        at=at,
        by=actor.label,
        movement=movement,
        found_nm=found.thickness_nm,
        found_condition=found.condition,
    )


def _face(face: str) -> Face:
    if face not in list(Face):
        words = f"must be one of {', '.join(Face)}"
        raise Invalid(f"The face {words}.", errors=[FieldError("/face", words)])
    return Face(face)


def _judged(family: ShimFamily, readings: Sequence[Length], face: Face) -> Judged | None:
    """What the readings come to; None where the face alone decides."""
    if not readings and face is Face.PITTED:
        return None
    if not 1 <= len(readings) <= MOST_READINGS:
        words = f"give one to {MOST_READINGS} readings; these are {len(readings)}"
        raise Invalid(f"Nothing was booked: {words}.", errors=[FieldError("/readings", words)])
    for index, reading in enumerate(readings):
        _refuse_slip(family, reading, f"/readings/{index}")
    try:
        return judge(readings, parse_text(conf.readings_spread).nm)
    except ReadingsDisagree as error:
        another = f"/readings/{len(readings)}" if len(readings) < MOST_READINGS else "/readings"
        raise Invalid(
            error.message, code="readings-disagree", errors=[FieldError(another, error.message)]
        ) from error


def _refuse_slip(family: ShimFamily, reading: Length, pointer: str) -> None:
    """Refuse what is no thickness of a shim, or would be one of this family in another unit."""
    words = ""
    try:
        plausible_shim(reading, "thickness")
    except LengthError as error:
        words = error.message
    if not words and not _measurable(family, reading.nm):
        lo, hi = family.min_nm - USED_BEYOND_NM, family.max_nm + USED_BEYOND_NM
        slip = meant(reading, lo, hi, (family.min_nm + family.max_nm) // 2, markings=True)
        words = f"{reading} is not of this family. {slip}" if slip else ""
    if words:
        raise Invalid(words, errors=[FieldError(pointer, words)])


def _measurable(family: ShimFamily, nm: int) -> bool:
    return family.min_nm - USED_BEYOND_NM <= nm <= family.max_nm + USED_BEYOND_NM


def _as_keyed(readings: Sequence[Length], thickness_nm: int) -> Length:
    """The reading that says the thickness as it was keyed, else the thickness in mm."""
    return next((reading for reading in readings if reading.nm == thickness_nm), from_nm(thickness_nm))


def _refuse_absent(bench: Place, found: Shims) -> None:
    key = ShimKey(found.family.id, bench.id, found.thickness_nm, found.condition)
    if available(key) < 1:
        what = f"{show(found.thickness_nm)} mm {Condition(found.condition).label.lower()}"
        words = f"no shim of {what} is at inspection"
        raise NotEnough(f"Nothing was booked: {words}.", errors=[FieldError("/found", words)])


def _refuse_bad_inspection(found: Shims, measured: Length, face: str) -> None:
    if found.condition == Condition.NEW:
        words = "A new shim needs no inspection; it counts at its marking."
        raise Invalid(words, errors=[FieldError("/found", "must be a used shim")])
    errors = []
    if face not in Inspection.Face.values:
        errors.append(FieldError("/face", f"must be one of {', '.join(Inspection.Face.values)}"))
    try:
        check_used_shim(found.family.range, measured)
    except LengthError as error:
        errors.append(FieldError("/thickness", error.message))
    refuse(errors)
