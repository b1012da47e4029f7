"""How every act on a job begins and ends: who, which job, is it possible now; and what is written down.

Lock law: the job's row first, then what the ledger's law names (inventory/services/ledger.py): its needs, its
holds, balances, the chain head.
"""

from collections.abc import Iterable
from datetime import datetime

from jobs.models import Job
from jobs.services.events import note_event
from jobs.services.handing_over import lock_with_partners
from jobs.services.promises import settle_lost_shims
from jobs.services.shop_staleness import touch_job
from jobs.services.states import ACTION, ALLOWED, Act, refuse_unless_allowed
from shop.actor import Actor
from shop.errors import HoldExpired, StaleVersion

# What a plan for the whole shop rests on; a new reading may want what it gives to others.
_KEYED = frozenset({Act.KEY_CLEARANCES, Act.KEY_SHIMS, Act.SET_ADJUST})
_MOVED = frozenset({Act.ACCEPT, Act.RELEASE, Act.FIT, Act.SIGN_OFF, Act.TAKE_IN, Act.SET_PROMISE, Act.STOP})


def begin(job: Job, act: Act, *, actor: Actor, at: datetime, version: int | None = None) -> Job:
    """The job, locked, with this act possible. Call inside a write transaction.

    `version`: what the job was at when the actor looked at it; None to act on it as it is. A plan whose shims
    are no longer held for it (expired, or given free by somebody) is out of date from here on, swept or not.

    Raises NotFound or Forbidden for the wrong actor, StaleVersion, HoldExpired when the act needs shims
    that the job has lost, WrongState.
    """
    actor.must(ACTION[act], job.site)
    lock_with_partners([job.pk])
    job = Job.objects.select_related("site", "family", "engine_type", "vehicle", "bay", "tray").get(pk=job.pk)
    if version is not None and job.version != version:
        raise StaleVersion(
            f"Somebody changed {job} since you opened it. Look at it again, then repeat what is still right.",
            extra={"version": job.version},
        )
    lost = settle_lost_shims(job, at)
    if lost and act not in ALLOWED[job.state]:
        raise HoldExpired(f"{lost} Plan again.", extra={"state": str(job.state)})
    refuse_unless_allowed(job, act)
    return job


def finish(job: Job, act: Act, *, actor: Actor, at: datetime, text: str, changed: Iterable[str] = ()) -> Job:
    """Save what the act changed on the job, count its version up, and write the act into its history."""
    job.version += 1
    job.save(update_fields=["state", "version", *changed])
    note_event(job, act, by=actor.label, at=at, text=text)
    if act in _KEYED | _MOVED:
        touch_job(job, f"{job}: {text}", family=act in _KEYED)
    return job
