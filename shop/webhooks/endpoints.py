"""Who is told of a site's events: register an address, rotate its secret, disable and enable it."""

from collections.abc import Collection
from datetime import datetime, timedelta

import structlog
from django.db.models import Q, QuerySet

from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Invalid, WrongState
from shop.models import Site, WebhookDelivery, WebhookEndpoint, WebhookSecret
from shop.roles import Action
from shop.sealing import reseal, seal, unseal
from shop.webhooks.events import EventKind
from shop.webhooks.signing import new_secret
from shop.webhooks.targets import Target

MOST_ENDPOINTS = 20
MOST_SECRETS = 5
MOST_NOTE = 200
USUAL_OVERLAP = timedelta(hours=24)
LONGEST_OVERLAP = timedelta(days=7)
_SEALED_FOR = "webhook secrets"
_log = structlog.get_logger("coldgap.webhooks")


@write_transaction
def add_endpoint(
    *, site: Site, actor: Actor, at: datetime, target: Target, kinds: Collection[str], note: str = ""
) -> tuple[WebhookEndpoint, str]:
    """Tell an address of these kinds of events; with it the secret, which is shown this once.

    The address comes as a `Target`: nothing is saved that was not checked. Raises Invalid for kinds that
    there are none of, Conflict when the site has as many endpoints as it may.
    """
    actor.must(Action.MANAGE_WEBHOOKS, site)
    _refuse_bad_kinds(kinds)
    _refuse_long_note(note)
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)
    if WebhookEndpoint.objects.filter(site=site, disabled_at=None).count() >= MOST_ENDPOINTS:
        raise Conflict(f"A site tells {MOST_ENDPOINTS} addresses at most. Disable one that is not needed.")
    endpoint = WebhookEndpoint.objects.create(
        site=site,
        url=target.url,
        kinds=[kind for kind in EventKind.values if kind in kinds],
        note=note,
        created_at=at,
        created_by=actor.label,
    )
    _log.info("webhook registered", webhook=str(endpoint.pk), host=target.host, by=actor.label)
    return endpoint, _add_secret(endpoint, at)


@write_transaction
def rotate_secret(
    *, endpoint: WebhookEndpoint, actor: Actor, at: datetime, overlap: timedelta = USUAL_OVERLAP
) -> tuple[WebhookEndpoint, str]:
    """A new secret, shown this once. Messages carry a signature under the old one as well until `overlap` is
    over, so that a receiver can change over at any moment between.

    Raises Invalid for an overlap that is out of bounds, Conflict while too many old secrets still stand.
    """
    endpoint = _locked(endpoint, actor)
    if not timedelta(0) <= overlap <= LONGEST_OVERLAP:
        raise Invalid(
            f"The old secret stands for up to {LONGEST_OVERLAP.days} days more.",
            errors=[FieldError("/overlap_hours", f"must be 0 to {LONGEST_OVERLAP.days * 24}")],
        )
    if _in_force(endpoint, at).count() >= MOST_SECRETS:
        raise Conflict(f"{MOST_SECRETS} secrets are in force at once already. Wait until the oldest ends.")
    endpoint.secrets.filter(ends_at=None).update(ends_at=at + overlap)
    _log.info("webhook secret rotated", webhook=str(endpoint.pk), by=actor.label)
    return endpoint, _add_secret(endpoint, at)


@write_transaction
def disable_endpoint(
    *, endpoint: WebhookEndpoint, actor: Actor, at: datetime, note: str = ""
) -> WebhookEndpoint:
    """Tell the address nothing more. What still waits for it is given up, and can be replayed later."""
    endpoint = _locked(endpoint, actor)
    _refuse_long_note(note)
    if endpoint.disabled_at:
        raise WrongState("This webhook is disabled already.")
    return shut(endpoint, at=at, because=note or f"Disabled by {actor.label}.")


@write_transaction
def enable_endpoint(*, endpoint: WebhookEndpoint, actor: Actor, at: datetime) -> WebhookEndpoint:
    """Tell the address of events from now on. Raises WrongState for one that is not disabled."""
    endpoint = _locked(endpoint, actor)
    if not endpoint.disabled_at:
        raise WrongState("This webhook is not disabled.")
    endpoint.disabled_at, endpoint.disabled_because = None, ""
    endpoint.rest_until, endpoint.failures = None, 0
    endpoint.save(update_fields=["disabled_at", "disabled_because", "rest_until", "failures"])
    _log.info("webhook enabled", webhook=str(endpoint.pk), by=actor.label)
    return endpoint


def shut(endpoint: WebhookEndpoint, *, at: datetime, because: str) -> WebhookEndpoint:
    """Disable a locked endpoint and give up what waits for it."""
    endpoint.disabled_at, endpoint.disabled_because = at, because[:MOST_NOTE]
    endpoint.save(update_fields=["disabled_at", "disabled_because"])
    bury_waiting(endpoint, at=at)
    _log.info("webhook disabled", webhook=str(endpoint.pk), because=because)
    return endpoint


def bury_waiting(endpoint: WebhookEndpoint, *, at: datetime) -> int:
    """Give up what waits for an endpoint that is disabled; how many deliveries."""
    waiting = WebhookDelivery.objects.filter(endpoint=endpoint, state=WebhookDelivery.State.WAITING)
    return waiting.update(
        state=WebhookDelivery.State.DEAD,
        next_attempt_at=None,
        finished_at=at,
        last_error="the webhook was disabled",
    )


def secrets_in_force(endpoint: WebhookEndpoint, at: datetime) -> list[str]:
    """The secrets that sign now, the newest first. Raises shop.sealing.UnreadableSeal."""
    rows = _in_force(endpoint, at).order_by("-created_at", "-id")
    return [unseal(bytes(row.sealed), purpose=_SEALED_FOR).decode() for row in rows]


@write_transaction
def tend_secrets(*, at: datetime) -> tuple[int, int]:
    """Forget secrets that have ended, and seal the others under the secret key of today; how many of each."""
    forgotten, _ = WebhookSecret.objects.filter(ends_at__lte=at).delete()
    resealed = 0
    for row in WebhookSecret.objects.select_for_update():
        fresh = reseal(bytes(row.sealed), purpose=_SEALED_FOR)
        if fresh is not None:
            row.sealed = fresh
            row.save(update_fields=["sealed"])
            resealed += 1
    return forgotten, resealed


def _locked(endpoint: WebhookEndpoint, actor: Actor) -> WebhookEndpoint:
    fresh = WebhookEndpoint.objects.select_for_update(of=("self",)).select_related("site").get(pk=endpoint.pk)
    actor.must(Action.MANAGE_WEBHOOKS, fresh.site)
    return fresh


def _in_force(endpoint: WebhookEndpoint, at: datetime) -> QuerySet[WebhookSecret]:
    return endpoint.secrets.filter(Q(ends_at=None) | Q(ends_at__gt=at))


def _add_secret(endpoint: WebhookEndpoint, at: datetime) -> str:
    secret = new_secret()
    sealed = seal(secret.encode(), purpose=_SEALED_FOR)
    WebhookSecret.objects.create(endpoint=endpoint, sealed=sealed, created_at=at)
    return secret


def _refuse_bad_kinds(kinds: Collection[str]) -> None:
    if not kinds or set(kinds) - set(EventKind.values):
        words = f"name at least one of {', '.join(EventKind.values)}, and no other"
        raise Invalid(f"Nobody was registered: {words}.", errors=[FieldError("/events", words)])


def _refuse_long_note(note: str) -> None:
    if len(note) > MOST_NOTE:
        words = f"has {len(note)} characters; {MOST_NOTE} is the most"
        raise Invalid(f"The note {words}.", errors=[FieldError("/note", words)])
