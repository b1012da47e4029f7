"""After fitting: what was predicted for each valve of a job and what was measured."""

from collections.abc import Iterable
from fractions import Fraction

from inventory.models import Condition, ShimFamily
from jobs.compute.exchange import FittedValve, Fitting, LookBack, look_back
from jobs.models import Job, JobValve
from jobs.selectors.jobs import JobSheet, ValveSheet
from jobs.selectors.problem import uncertainty

# A used shim may lie that far outside its family's range (DESIGN.md).
_WORN_NM = 100_000


def look_back_on(sheet: JobSheet) -> LookBack:
    """What the readings after the fits say. Valves that were not read on both sides of a fit are left out, so
    a job that was not fitted gives nothing to say."""
    return look_back(fitting_of(sheet.job, sheet.valves))


def fitting_of(job: Job, valves: Iterable[ValveSheet]) -> Fitting:
    """The job's valves around the last fit that opened each of them."""
    return Fitting(
        valves=tuple(fitted for valve in valves if (fitted := _fitted(valve)) is not None),
        lash_ratio=Fraction(job.lash_ratio),
        uncertainty=uncertainty(),
        made_nm=_made(job.family),
    )


def _fitted(sheet: ValveSheet) -> FittedValve | None:
    before, after, valve = sheet.before, sheet.after, sheet.valve
    if before is None or after is None:
        return None
    fit = next((fit for fit in sheet.fits if fit.round == valve.fit_round), None)
    if fit is None:
        # Never opened, so its thickness, known or not, is the same before and after.
        removed = put_in = valve.shim_nm or 1
        removed_by = put_in_by = valve.shim_known_by or JobValve.KnownBy.MEASURED
    elif fit.removed_nm is None:
        return None
    else:
        removed, put_in = fit.removed_nm, fit.fitted_nm
        removed_by, put_in_by = _known_by(fit.removed_condition), _known_by(fit.fitted_condition)
    return FittedValve(
        label=valve.label,
        before_nm=(before.passes_nm, before.stops_nm),
        after_nm=(after.passes_nm, after.stops_nm),
        removed_nm=removed,
        removed_known_by=removed_by,  # type: ignore[arg-type]
        fitted_nm=put_in,
        fitted_known_by=put_in_by,  # type: ignore[arg-type]
        round=valve.fit_round,
        opened=fit is not None,
        inches=after.passes_keyed.endswith(("in", "thou")),
        used=fit is not None and fit.fitted_condition != Condition.NEW,
    )


def _known_by(condition: str) -> str:
    """What a thickness was read with: the ledger calls a shim used once a micrometer was on it."""
    return JobValve.KnownBy.MEASURED if condition == Condition.USED else JobValve.KnownBy.MARKED


def _made(family: ShimFamily) -> tuple[int, int]:
    return max(family.range.min_nm - _WORN_NM, 1), family.range.max_nm + _WORN_NM
