"""Issue and revoke API keys."""

import hashlib
import secrets
from collections.abc import Collection, Iterable
from datetime import datetime

from api.models import ApiKey
from shop.actor import Actor
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import FieldError, Invalid
from shop.models import Membership, Site, User
from shop.roles import SCOPES, Action

MARK = "cg"
SECRET_BYTES = 32
_PREFIX_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
_PREFIX_LENGTH = 8


@write_transaction
def issue_key(
    *,
    actor: Actor,
    at: datetime,
    name: str,
    user: User,
    sites: Iterable[Site],
    scopes: Collection[str],
    requests_per_minute: int | None = None,
    expires_at: datetime | None = None,
) -> tuple[ApiKey, str]:
    """A new key with which a program acts in `user`'s name, and its text, which is shown this once.

    `requests_per_minute`: None for the shop's setting. `expires_at`: None for a key that stands until it is
    revoked. Raises Invalid when it could do nothing: no site, no scope, a person without a role there.
    """
    sites = list(sites)
    for site in sites:
        actor.must(Action.MANAGE_KEYS, site)
    limit = conf.requests_per_minute if requests_per_minute is None else requests_per_minute
    _refuse_useless(name, user, sites, scopes, limit, expires_at, at)
    if actor.scopes is not None and (more := set(scopes) - actor.scopes):
        words = f"this key has not itself: {', '.join(sorted(more))}"
        raise Invalid(f"The key was not issued: scopes {words}.", errors=[FieldError("/scopes", words)])
    prefix = "".join(secrets.choice(_PREFIX_LETTERS) for _ in range(_PREFIX_LENGTH))
    text = f"{MARK}_{prefix}_{secrets.token_urlsafe(SECRET_BYTES)}"
    key = ApiKey.objects.create(
        name=name,
        prefix=prefix,
        secret_sha256=hash_of(text),
        user=user,
        scopes=[scope for scope in SCOPES if scope in scopes],
        requests_per_minute=limit,
        created_at=at,
        created_by=actor.label,
        expires_at=expires_at,
    )
    key.sites.set(sites)
    return key, text


@write_transaction
def revoke_key(*, key: ApiKey, actor: Actor, at: datetime) -> ApiKey:
    """End a key; its next request is refused. Revoking it again changes nothing."""
    for site in key.sites.all():
        actor.must(Action.MANAGE_KEYS, site)
    ApiKey.objects.filter(pk=key.pk, revoked_at=None).update(revoked_at=at)
    key.refresh_from_db()
    return key


def hash_of(text: str) -> str:
    """What is kept of a key: the SHA-256 of its text, as 64 hex digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def _refuse_useless(
    name: str,
    user: User,
    sites: list[Site],
    scopes: Collection[str],
    limit: int,
    expires_at: datetime | None,
    at: datetime,
) -> None:
    errors = []
    if not name.strip():
        errors.append(FieldError("/name", "name the program that will use the key"))
    if not sites:
        errors.append(FieldError("/sites", "name at least one site"))
    if not scopes or set(scopes) - set(SCOPES):
        errors.append(FieldError("/scopes", f"name at least one of {', '.join(SCOPES)}, and no other"))
    if limit < 1:
        errors.append(FieldError("/requests_per_minute", "must be 1 or more"))
    if expires_at is not None and expires_at <= at:
        errors.append(FieldError("/expires_at", "must lie in the future"))
    member_of = set(Membership.objects.filter(user=user).values_list("site_id", flat=True))
    errors += [
        FieldError("/sites", f"{user} has no role at {site.name}")
        for site in sites
        if site.id not in member_of
    ]
    if errors:
        raise Invalid(
            "The key was not issued: " + "; ".join(error.detail for error in errors) + ".", errors=errors
        )
