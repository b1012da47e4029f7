"""Holds: stock promised to a job or under a calculator's own reference, all or nothing."""

from datetime import datetime, timedelta
from typing import Any

from django.db.models import Prefetch, QuerySet

from api import queries
from api.fields import Body, Identity, LengthField, Several, Text, Whole, Word
from api.hold_shapes import HoldSerializer
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, bins_of, families_of, not_found, site_of
from api.pointers import as_sent
from api.stock import SITE
from api.views import ApiView, Call
from api.words import HOLD_STATES, PLANNABLE_CONDITIONS
from inventory.compute.lengths import plausible_shim
from inventory.models import Hold, HoldLine
from inventory.selectors.one_hold import job_of, one_hold, read_lines
from inventory.selectors.overdue import in_state, seen_at
from inventory.services.hold_state import refuse_expired
from inventory.services.holds import LONGEST, MOST_LINES, Wanted, extend_hold, hold_shims
from inventory.services.outside_fit import fit_hold
from jobs.models import Job
from jobs.services.ending_holds import release_hold, take_over_hold
from jobs.services.handing_over import lock_with_partners
from shop.actor import Actor
from shop.db import once_locked
from shop.errors import FieldError, Invalid, WrongState
from shop.models import Site
from shop.roles import Action

MOST_MINUTES = int(LONGEST.total_seconds()) // 60
MOST_QUANTITY = 100_000
# What a list of holds is asked for -> what it looks at: the holds themselves, or their lines.
HOLD_FILTERS = {
    "job": "job_id",
    "reference": "reference",
    "created_by": "created_by",
    "expires_before": "expires_at__lt",
    "from": "created_at__gte",
    "to": "created_at__lt",
}
LINE_FILTERS = {
    "family": "family__code",
    "thickness_min": "thickness_nm__gte",
    "thickness_max": "thickness_nm__lte",
    "bin": "taken_from__code",
}


class WantedSerializer(Body):
    bin = Text(most=20)
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    condition = Word(choices=PLANNABLE_CONDITIONS)
    quantity = Whole(least=1, most=MOST_QUANTITY, required=False, help_text="Left out: 1.")
    label = Text(most=40, required=False, help_text="The valve that it is for.")


class HoldShimsSerializer(Body):
    """For a job, or under a reference of the caller's; `site` may be left out with a job, or where the
    credential sees one site only."""

    site = Text(most=20, required=False)
    job = Identity(required=False)
    reference = Text(most=80, required=False)
    lines = Several(child=WantedSerializer(), most=MOST_LINES)
    expires_in = Whole(
        least=1, most=MOST_MINUTES, required=False, help_text="Minutes; left out, the shop's usual time."
    )
    note = Text(most=400, required=False)


class ExtendSerializer(Body):
    expires_in = Whole(least=1, most=MOST_MINUTES, help_text="Minutes from now.")


class ReleaseSerializer(Body):
    note = Text(most=400, required=False)


class TakeOverSerializer(Body):
    """For a job, or under a reference of the caller's."""

    job = Identity(required=False)
    reference = Text(most=80, required=False)
    reason = Text(most=400, help_text="Why; whoever loses the shims reads it.")
    positions = Several(
        child=Whole(least=0, most=MOST_LINES),
        most=MOST_LINES,
        required=False,
        help_text="The lines that are taken; left out, all. The others go on being held as they were.",
    )
    expires_in = Whole(
        least=1, most=MOST_MINUTES, required=False, help_text="Minutes; left out, the shop's usual time."
    )


class FittedLineSerializer(Body):
    position = Whole(least=0, most=MOST_LINES)
    fitted = Whole(least=0, most=MOST_QUANTITY)


class FitHoldSerializer(Body):
    """Left out: everything that was held was fitted. A line that is not named: nothing of it was."""

    lines = Several(child=FittedLineSerializer(), most=MOST_LINES, required=False)


EXAMPLE = {
    "site": "north",
    "reference": "calculator 4711",
    "lines": [
        {
            "bin": "B07",
            "family": "d29",
            "thickness": {"value": "2.650", "unit": "mm"},
            "condition": "new",
            "quantity": 1,
            "label": "2-IN-L",
        }
    ],
    "expires_in": 240,
}


class HoldView(ApiView):
    answer = HoldSerializer
    one = "hold"

    def rows(self, sites: list[Any]) -> QuerySet[Hold]:
        return seen_at(Hold.objects.filter(site__in=sites).select_related("site", "taken_over"), self.at)

    def made(self, actor: Actor, thing: Hold) -> Hold:
        read_lines(thing)
        return thing

    def refuse_ended(self, thing: Hold, at: datetime) -> None:
        refuse_expired(thing, once_locked(at))

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Hold:
        hold = one_hold(path["id"], actor.roles, self.at, lock=lock)
        if hold is None:
            raise not_found()
        return hold


class EndedHoldView(HoldView):
    """A job whose hold ends is locked before it, as the lock law has it."""

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Hold:
        if lock:
            job_id = job_of(path["id"], actor.roles)
            lock_with_partners(() if job_id is None else (job_id,))
        return super().find(actor, lock=lock, **path)


class Holds(HoldView):
    @lists(
        Action.READ,
        "list_holds",
        "Holds, newest first.",
        order=("-created_at", "-id"),
        query=(
            SITE,
            queries.choice("state", "Only in this state.", HOLD_STATES),
            queries.identity("job", "Only for this job."),
            queries.text("reference", "Only under this reference.", most=80),
            queries.text("created_by", "Only made by this person or key, as `created_by` has it.", most=160),
            queries.text("family", "Only with shims of the family of this code.", most=20),
            queries.length("thickness_min", "Only with shims not thinner than this: 2.6mm."),
            queries.length("thickness_max", "Only with shims not thicker than this."),
            queries.text("bin", "Only with shims from the bin of this code, handed out or not.", most=20),
            queries.choice("handed_out", "Only those handed out, or only the others.", ("true", "false")),
            queries.instant("expires_before", "Only those that run out before this moment."),
            *queries.period("made"),
        ),
        orderings={"created_at": ("created_at", "id"), "reference": ("reference", "created_at", "id")},
        wide=HoldSerializer,
    )
    def get(self, call: Call) -> QuerySet[Hold]:
        query = call.query
        lines = HoldLine.objects.select_related("place", "taken_from", "family")
        rows = self.rows(asked_sites(call.actor, query)).prefetch_related(Prefetch("lines", lines))
        if "state" in query:
            rows = rows.filter(in_state(query["state"], call.at))
        given = {column: query[name] for name, column in HOLD_FILTERS.items() if name in query}
        if "handed_out" in query:
            given["handed_out_at__isnull"] = query["handed_out"] == "false"
        lines = {column: query[name] for name, column in LINE_FILTERS.items() if name in query}
        if lines:
            given["pk__in"] = HoldLine.objects.filter(**lines).values("hold")
        return rows.filter(**given)

    @creates(
        Action.HOLD,
        "hold_shims",
        "Hold the stock lines of a plan, all of them or none.",
        body=HoldShimsSerializer,
        example=EXAMPLE,
    )
    def post(self, call: Call) -> Hold:
        body = call.body
        site, job = _site_and_job(call.actor, body)
        call.actor.must(Action.HOLD, site)
        return hold_shims(
            site=site,
            actor=call.actor,
            at=call.at,
            lines=_wanted(site, body["lines"]),
            reference=body.get("reference") or str(job),
            job_id=job.pk if job else None,
            expires_in=timedelta(minutes=body["expires_in"]) if "expires_in" in body else None,
            note=body.get("note", ""),
        )


class OneHold(HoldView):
    @shows(Action.READ, "hold", "One hold with its lines.")
    def get(self, call: Call, **path: Any) -> Hold:
        return self.find(call.actor, **path)


class ExtendHold(HoldView):
    @acts(
        Action.HOLD,
        "extend_hold",
        "Let the hold stand longer.",
        body=ExtendSerializer,
        example={"expires_in": 1440},
    )
    def post(self, call: Call, hold: Hold) -> Hold:
        expires_in = timedelta(minutes=call.body["expires_in"])
        return extend_hold(hold=hold, actor=call.actor, at=call.at, expires_in=expires_in)


class ReleaseHold(EndedHoldView):
    @acts(Action.HOLD, "release_hold", "Give the shims free.", body=ReleaseSerializer, example={})
    def post(self, call: Call, hold: Hold) -> Hold:
        return release_hold(hold=hold, actor=call.actor, at=call.at, note=call.body.get("note", ""))

    def acted(self, actor: Actor, thing: Hold, done: Hold, **path: Any) -> Hold:
        # Its lines are as they were.
        for name in ("state", "resolved_at", "resolved_by", "note", "version"):
            setattr(thing, name, getattr(done, name))
        return thing


class TakeOverHold(EndedHoldView):
    @acts(
        Action.TAKE_OVER_HOLD,
        "take_over_hold",
        "Hold the shims for another job or reference instead, and say why; managers only.",
        body=TakeOverSerializer,
        example={"reference": "order 4712", "reason": "The customer waits at the counter.", "positions": [0]},
    )
    def post(self, call: Call, hold: Hold) -> Hold:
        body = call.body
        site, job = _site_and_job(call.actor, {"site": hold.site.code, **body})
        if site.pk != hold.site_id:
            raise Invalid("The job is at another site.", errors=[FieldError("/job", "is at another site")])
        take_over_hold(
            hold=hold,
            actor=call.actor,
            at=call.at,
            reference=body.get("reference") or str(job),
            reason=body["reason"],
            job_id=job.pk if job else None,
            positions=body.get("positions"),
            expires_in=timedelta(minutes=body["expires_in"]) if "expires_in" in body else None,
        )
        return hold


class FitHold(HoldView):
    @acts(
        Action.HOLD,
        "fit_hold",
        "Report what was fitted of a hold under an outside reference; the rest is free again.",
        body=FitHoldSerializer,
        example={"lines": [{"position": 0, "fitted": 1}]},
    )
    def post(self, call: Call, hold: Hold) -> Hold:
        lines = call.body.get("lines")
        if lines is None:
            return fit_hold(hold=hold, actor=call.actor, at=call.at)
        _refuse_twice(lines)
        fields = {}
        held = {line.position for line in hold.lines.all()}
        for index, line in enumerate(lines):
            wrong = "fitted" if line["position"] in held else "position"
            fields[f"/lines/{line['position']}"] = f"/lines/{index}/{wrong}"
        with as_sent(fields):
            return fit_hold(
                hold=hold,
                actor=call.actor,
                at=call.at,
                fitted={line["position"]: line["fitted"] for line in lines},
            )


def _refuse_twice(lines: list[dict[str, Any]]) -> None:
    """Two figures for one line of the hold contradict each other, or count it twice."""
    named = [line["position"] for line in lines]
    errors = [
        FieldError(f"/lines/{index}/position", f"line {position} is named before; name each line once")
        for index, position in enumerate(named)
        if position in named[:index]
    ]
    if errors:
        words = "; ".join(dict.fromkeys(error.detail for error in errors))
        raise Invalid(f"Nothing was booked: {words}.", errors=errors)


def _site_and_job(actor: Actor, body: dict[str, Any]) -> tuple[Site, Job | None]:
    """Where the hold is made, and for which job; None where it is under an outside reference."""
    if ("job" in body) == ("reference" in body):
        raise Invalid(
            "A hold is for a job or under a reference: name one of them.",
            errors=[FieldError("/reference", "give either this or a job")],
        )
    if "job" not in body:
        return site_of(actor, body.get("site")), None
    job = Job.objects.select_related("site").filter(pk=body["job"], site__in=list(actor.roles)).first()
    if job is None:
        raise not_found("/job")
    if body.get("site") not in (None, job.site.code):
        raise Invalid("The job is at another site.", errors=[FieldError("/site", "is not where the job is")])
    if not job.is_open:
        raise WrongState(f"{job} is {job.get_state_display().lower()}: nothing can be held for it any more.")
    return job.site, job


def _wanted(site: Site, lines: list[dict[str, Any]]) -> list[Wanted]:
    families = families_of((f"/lines/{index}/family", line["family"]) for index, line in enumerate(lines))
    bins = bins_of(site, ((f"/lines/{index}/bin", line["bin"]) for index, line in enumerate(lines)))
    return [
        Wanted(
            place=bins[line["bin"]],
            family_id=families[line["family"]].pk,
            thickness_nm=line["thickness"].nm,
            condition=line["condition"],
            quantity=line.get("quantity", 1),
            label=line.get("label", ""),
        )
        for line in lines
    ]
