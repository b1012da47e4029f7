"""What is said about a job besides its sheet: other ways, what to measure next, what the fit came to.

Nothing here is stored and nothing changed: it is worked out from the job and the stock as they are.
"""

from fractions import Fraction
from typing import Any, NamedTuple

from api.insight_shapes import (
    SIX_DECIMALS,
    AlternativesSerializer,
    FindingsSerializer,
    MeasureNextSerializer,
    decimal_text,
    render_cost,
)
from api.jobs import JobView
from api.kinds import shows
from api.views import Call
from inventory.compute.lengths import from_nm
from inventory.models import Place, PlaceKind
from jobs.compute.alternatives import name_of
from jobs.compute.exchange import Finding, LookBack, Outcome
from jobs.compute.measure_next import Candidate, MeasureNext
from jobs.compute.planner import Choice
from jobs.models import Job
from jobs.selectors.alternatives import Way, ways_of
from jobs.selectors.jobs import job_sheet
from jobs.selectors.look_back import look_back_on
from jobs.selectors.measure_next import measure_next_of
from jobs.selectors.problem import unread
from shop.roles import Action

# What leaves say is never beyond doubt, however it rounds.
_NEARLY_CERTAIN = Fraction(SIX_DECIMALS - 1, SIX_DECIMALS)


class Offered(NamedTuple):
    """`told` is empty where valves are to be read first."""

    to_read: list[str]
    told: Any


class Alternatives(JobView):
    answer = AlternativesSerializer

    @shows(
        Action.READ,
        "job_alternatives",
        "The ways to do the job side by side, with what each costs. Plan one of them with POST /plan.",
    )
    def get(self, call: Call, **path: Any) -> Offered:
        job = self.find(call.actor, **path)
        to_read = _to_read(job)
        return Offered(to_read, [] if to_read else [_way(way, job) for way in ways_of(job, call.actor)])

    def represent(self, thing: Any) -> dict[str, Any]:
        return {"to_read": thing.to_read, "alternatives": thing.told}


class MeasureNextView(JobView):
    answer = MeasureNextSerializer

    @shows(
        Action.READ,
        "job_measure_next",
        "The valves in spec whose unmeasured shims most likely help, by what such engines had before.",
    )
    def get(self, call: Call, **path: Any) -> Offered:
        job = self.find(call.actor, **path)
        to_read = _to_read(job)
        nothing = MeasureNext(wanting=(), anyway=(), candidates=())
        return Offered(to_read, nothing if to_read else measure_next_of(job))

    def represent(self, thing: Any) -> dict[str, Any]:
        told: MeasureNext = thing.told
        return {
            "to_read": thing.to_read,
            "wanting": list(told.wanting),
            "anyway": list(told.anyway),
            "candidates": [_candidate(one) for one in told.candidates],
        }


class Findings(JobView):
    answer = FindingsSerializer

    @shows(
        Action.READ,
        "job_findings",
        "After a fit: predicted against measured, what most likely happened where they differ, how sure.",
    )
    def get(self, call: Call, **path: Any) -> LookBack:
        return look_back_on(job_sheet(self.find(call.actor, **path)))

    def represent(self, thing: Any) -> dict[str, Any]:
        told: LookBack = thing
        return {
            "outcomes": [_outcome(one) for one in told.outcomes],
            "findings": [_finding(one) for one in told.findings],
            "unexplained": list(told.unexplained),
            "alike": [list(pair) for pair in told.alike],
            "needs_reason": bool(told.to_answer_for),
        }


def _to_read(job: Job) -> list[str]:
    return [valve.label for valve in unread(list(job.valves.order_by("order")))]


def _way(way: Way, job: Job) -> dict[str, Any]:
    sites = {choice.label: (_lies(lot.place), lot.site.code) for choice, lot in way.stock}
    return {
        "alternative": way.name,
        "best_for": [name_of(asked) for asked in way.alternative.asked],
        "can_be_planned": not way.sent,
        "score": way.plan.score._asdict(),
        "figures": way.alternative.figures._asdict(),
        "cost": render_cost(way.cost),
        "changes": [
            {
                "label": choice.label,
                "action": choice.action,
                "shim": _way_shim(choice, sites, job),
                "why": choice.why,
            }
            for choice in way.plan.choices
            if choice.action != "keep"
        ],
    }


def _lies(place: Place) -> str:
    return "tray" if place.kind == PlaceKind.TRAY else f"bin:{place.code}"


def _way_shim(choice: Choice, sites: dict[str, tuple[str, str]], job: Job) -> dict[str, Any] | None:
    if choice.thickness_nm is None:
        return None
    place, site = sites.get(choice.label, ("", job.site.code))
    source = {"swap": f"valve:{choice.from_valve}", "stock": place}.get(choice.action, "catalogue")
    return {"thickness": from_nm(choice.thickness_nm).as_json(), "source": source, "site": site}


def _candidate(one: Candidate) -> dict[str, Any]:
    return {
        "label": one.label,
        "probability": decimal_text(one.probability),
        "openings": decimal_text(one.openings),
        "per_opening": decimal_text(one.per_opening),
        "helps": [from_nm(nm).as_json() for nm in one.helps],
        "seen": one.seen,
        "rests_on_little": one.rests_on_little,
    }


def _outcome(one: Outcome) -> dict[str, Any]:
    predicted = None
    if one.predicted_nm is not None and one.called_nm is not None:
        low, high = one.predicted_nm
        predicted = {
            "low": from_nm(low).as_json(),
            "called": from_nm(one.called_nm).as_json(),
            "high": from_nm(high).as_json(),
        }
    passes, stops = one.measured_nm
    return {
        "label": one.label,
        "predicted": predicted,
        "measured": {"passes": from_nm(passes).as_json(), "stops": from_nm(stops).as_json()},
        "off_nm": one.off_nm,
        "differs": one.differs,
    }


def _finding(one: Finding) -> dict[str, Any]:
    return {
        "labels": list(one.labels),
        "explained": one.explained,
        "causes": [
            {
                "kind": cause.kind,
                "labels": list(cause.labels),
                "probability": decimal_text(min(Fraction(cause.probability), _NEARLY_CERTAIN)),
                "say": cause.say,
            }
            for cause in one.causes
        ],
        "say": one.say,
    }
