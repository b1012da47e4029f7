"""Jobs: list, open, one, and every act of the bay on one of them. An act answers the job as it is then."""

from datetime import UTC, datetime
from typing import Any

from django.db.models import DateTimeField, QuerySet, Value
from django.db.models.functions import Coalesce

from api import queries
from api.insight_shapes import PlanJobSerializer
from api.job_shapes import (
    FitJobSerializer,
    HandOverBodySerializer,
    JobRowSerializer,
    JobSerializer,
    KeyClearancesSerializer,
    KeyShimsSerializer,
    NoteSerializer,
    OpenJobSerializer,
    SetAdjustSerializer,
    SetPromiseSerializer,
    SignOffSerializer,
    StopJobSerializer,
    TakeIntoBaySerializer,
)
from api.job_sheet import render_sheet
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, family_of, not_found, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from api.words import JOB_STATES
from jobs.compute.alternatives import asked_for
from jobs.models import Job, Vehicle
from jobs.selectors.jobs import CLOSED, current_plan, job_sheet
from jobs.services.bays import take_into_bay
from jobs.services.engines import SideSpec
from jobs.services.fitting import ReallyFitted, fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.handing_over import hand_over, hand_over_of
from jobs.services.keyed_engine import KeyedEngine, KeyedValve
from jobs.services.opening import open_job
from jobs.services.planning import accept_plan, plan_job, release_plan
from jobs.services.promising import set_promise
from jobs.services.readings import FeelerInput, ShimInput, key_clearances, key_shims, set_adjust
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from shop.actor import Actor
from shop.errors import FieldError, Invalid, WrongState
from shop.models import Bay, Site
from shop.roles import Action

JOB_FILTERS = {
    "vehicle": "vehicle",
    "bay": "bay__number",
    "engine_type": "engine_type__code",
    "family": "family__code",
    "number": "number",
    "promised_before": "promised_at__lt",
    "from": "opened_at__gte",
    "to": "opened_at__lt",
}
# Behind every promise, where jobs are listed by theirs and have none.
NEVER = datetime(9999, 1, 1, tzinfo=UTC)
_THOU = {"unit": "thou"}
READINGS = {"readings": {"1-IN-L": {"passes": {"value": "5", **_THOU}, "stops": {"value": "6", **_THOU}}}}
SHIM = {"value": "2.683", "unit": "mm"}


class JobView(ApiView):
    answer = JobSerializer
    one = "job"

    def rows(self, sites: list[Any]) -> QuerySet[Job]:
        rows = Job.objects.filter(site__in=sites)
        return rows.select_related("site", "vehicle", "engine_type", "family", "bay", "tray")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Job:
        return one_of(self.rows(list(actor.roles)), lock=lock, **path)

    def represent(self, thing: Job) -> dict[str, Any]:
        return render_sheet(job_sheet(thing))


class Jobs(JobView):
    @lists(
        Action.READ,
        "list_jobs",
        "Jobs, newest first.",
        order=("-opened_at", "-id"),
        answer=JobRowSerializer,
        query=(
            SITE,
            queries.choice("state", "Only in this state.", JOB_STATES),
            queries.choice("open", "Only jobs that are open, or only closed ones.", ("true", "false")),
            queries.identity("vehicle", "Only of this vehicle."),
            queries.text("registration", "Only of the vehicle of this registration.", most=20),
            queries.whole("bay", "Only in the bay of this number.", least=1, most=10_000),
            queries.text("engine_type", "Only on an engine of the type of this code.", most=24),
            queries.text("family", "Only with shims of the family of this code.", most=20),
            queries.whole("number", "Only the job of this number.", least=1, most=999_999_999),
            queries.instant("promised_before", "Only those that are promised for before this moment."),
            *queries.period("opened"),
        ),
        orderings={
            "opened_at": ("opened_at", "id"),
            "number": ("number", "opened_at", "id"),
            "promised_at": ("promised_or_never", "opened_at", "id"),
        },
        wide=JobRowSerializer,
    )
    def get(self, call: Call) -> QuerySet[Job]:
        query = call.query
        rows = self.rows(asked_sites(call.actor, query))
        if "state" in query:
            rows = rows.filter(state=query["state"])
        if "open" in query:
            over = {"state__in": CLOSED}
            rows = rows.exclude(**over) if query["open"] == "true" else rows.filter(**over)
        if "registration" in query:
            rows = rows.filter(vehicle__registration=" ".join(query["registration"].split()).upper())
        never = Coalesce("promised_at", Value(NEVER, output_field=DateTimeField()))
        return rows.filter(**queries.given(query, JOB_FILTERS)).annotate(promised_or_never=never)

    @creates(
        Action.WORK_JOB,
        "open_job",
        "Open a job on a vehicle, in a bay or in the yard.",
        body=OpenJobSerializer,
        example={"site": "north", "vehicle": "0190b0a0-0000-7000-8000-000000000000", "bay": 1},
    )
    def post(self, call: Call) -> Job:
        body = dict(call.body)
        sites = [site_of(call.actor, body.pop("site")).pk] if "site" in body else list(call.actor.roles)
        vehicles = Vehicle.objects.filter(site__in=sites).select_related("site")
        vehicle = vehicles.filter(pk=body.pop("vehicle")).first()
        if vehicle is None:
            raise not_found("/vehicle")
        site = vehicle.site
        bay = bay_of(site, body.pop("bay", None))
        if "engine" in body:
            body["engine"] = _keyed_engine(body["engine"])
        return open_job(site=site, actor=call.actor, at=call.at, vehicle=vehicle, bay=bay, **body)


class OneJob(JobView):
    @shows(Action.READ, "job", "The whole sheet of one job.")
    def get(self, call: Call, **path: Any) -> Job:
        return self.find(call.actor, **path)


class Readings(JobView):
    @acts(
        Action.WORK_JOB,
        "key_clearances",
        "Key in feeler readings by valve; a correction is kept beside what it corrects.",
        body=KeyClearancesSerializer,
        example=READINGS,
    )
    def post(self, call: Call, job: Job) -> Job:
        readings = {label: FeelerInput(**reading) for label, reading in call.body["readings"].items()}
        return key_clearances(job=job, actor=call.actor, at=call.at, readings=readings)


class Shims(JobView):
    @acts(
        Action.WORK_JOB,
        "key_shims",
        "Key in the shims that were found, by valve.",
        body=KeyShimsSerializer,
        example={"shims": {"1-IN-L": {"thickness": SHIM, "known_by": "measured"}}},
    )
    def post(self, call: Call, job: Job) -> Job:
        shims = {label: ShimInput(**shim) for label, shim in call.body["shims"].items()}
        return key_shims(job=job, actor=call.actor, at=call.at, shims=shims)


class Adjust(JobView):
    @acts(
        Action.WORK_JOB,
        "set_adjust",
        "Say which valves are adjusted if it helps, always or never.",
        body=SetAdjustSerializer,
        example={"adjust": {"1-EX-R": "never"}},
    )
    def post(self, call: Call, job: Job) -> Job:
        return set_adjust(job=job, actor=call.actor, at=call.at, adjust=call.body["adjust"])


class PlanJob(JobView):
    @acts(
        Action.PLAN,
        "plan_job",
        "Plan from what is in the engine and available now, the usual way or another.",
        body=PlanJobSerializer,
        example={"alternative": "fewest_opened"},
    )
    def post(self, call: Call, job: Job) -> Any:
        asked = asked_for(call.body.get("alternative", "usual"))
        return plan_job(job=job, actor=call.actor, at=call.at, wish=asked.wish if asked else "usual")


class HoldPlan(JobView):
    @acts(Action.HOLD, "accept_plan", "Hold the plan's shims and note what is to buy: all of it or nothing.")
    def post(self, call: Call, job: Job) -> Any:
        plan = current_plan(job)
        if plan is None:
            raise WrongState(f"{job} has no plan yet. Plan first.")
        return accept_plan(plan=plan, actor=call.actor, at=call.at)


class ReleasePlan(JobView):
    @acts(
        Action.HOLD,
        "release_plan",
        "Give the plan's shims free; what was handed out goes back to its bins.",
        body=NoteSerializer,
        example={},
    )
    def post(self, call: Call, job: Job) -> Job:
        return release_plan(job=job, actor=call.actor, at=call.at, **call.body)


class HandOut(JobView):
    @acts(Action.HAND_OUT, "hand_out_job", "Move the held shims to the job's tray.")
    def post(self, call: Call, job: Job) -> Job:
        return hand_out_job(job=job, actor=call.actor, at=call.at)


class Fit(JobView):
    @acts(
        Action.WORK_JOB,
        "fit_job",
        "Book the plan as fitted; `really` says where something else was done, and why.",
        body=FitJobSerializer,
        example={},
    )
    def post(self, call: Call, job: Job) -> Job:
        really = {label: ReallyFitted(**item) for label, item in call.body.get("really", {}).items()}
        return fit_job(job=job, actor=call.actor, at=call.at, really=really)


class SignOff(JobView):
    @acts(
        Action.WORK_JOB,
        "sign_off_job",
        "Close the job; what came out of the engine goes to inspection.",
        body=SignOffSerializer,
        example={},
    )
    def post(self, call: Call, job: Job) -> Job:
        return sign_off_job(job=job, actor=call.actor, at=call.at, **call.body)


class TakeIntoBay(JobView):
    @acts(
        Action.WORK_JOB,
        "take_into_bay",
        "Roll the engine into a free bay; without one it stands in the yard.",
        body=TakeIntoBaySerializer,
        example={"bay": 2},
    )
    def post(self, call: Call, job: Job) -> Job:
        bay = bay_of(job.site, call.body.get("bay"))
        return take_into_bay(job=job, actor=call.actor, at=call.at, bay=bay)


class SetPromise(JobView):
    @acts(
        Action.WORK_JOB,
        "set_promise",
        "Say how much the job matters and when it is promised for.",
        body=SetPromiseSerializer,
        example={"priority": 3, "promised_at": "2030-01-05T09:00:00Z"},
    )
    def post(self, call: Call, job: Job) -> Job:
        return set_promise(job=job, actor=call.actor, at=call.at, **call.body)


class HandOverShim(JobView):
    @acts(
        Action.HAND_OUT,
        "hand_over",
        "Take a shim of one job to the other's tray; at either of the two.",
        body=HandOverBodySerializer,
        example={"hand_over": "0190b0a0-0000-7000-8000-000000000000"},
    )
    def post(self, call: Call, job: Job) -> Any:
        row = hand_over_of(job, call.body["hand_over"])
        return hand_over(hand_over=row, actor=call.actor, at=call.at)


class Stop(JobView):
    @acts(
        Action.STOP_JOB,
        "stop_job",
        "End a job that will not be signed off.",
        body=StopJobSerializer,
        example={"note": "The customer took it away."},
    )
    def post(self, call: Call, job: Job) -> Job:
        return stop_job(job=job, actor=call.actor, at=call.at, **call.body)


def _keyed_engine(body: dict[str, Any]) -> KeyedEngine:
    sides = {side: SideSpec(**body[side]) for side in ("intake", "exhaust") if side in body}
    valves = [
        KeyedValve(
            label=valve["label"],
            side=valve["side"],
            spec=SideSpec(**valve["spec"]) if "spec" in valve else None,
        )
        for valve in body["valves"]
    ]
    family = family_of(body["family"], "/engine/family")
    return KeyedEngine(**body | sides | {"family": family, "valves": valves})


def bay_of(site: Site, number: int | None) -> Bay | None:
    """The site's bay of that number; None for the yard. Raises Invalid, pointing at /bay."""
    if number is None:
        return None
    bay = Bay.objects.filter(number=number, site=site).first()
    if bay is None:
        there = ", ".join(
            str(number) for number in site.bays.order_by("number").values_list("number", flat=True)
        )
        words = f"there is no bay {number}; there is {there}" if there else "there is no bay yet"
        raise Invalid(f"At {site.name} {words}.", errors=[FieldError("/bay", words)])
    return bay
