"""Who asks: a program by its key (RFC 6750), or a person by the session of the pages.

A request that carries a key is the key's alone; its cookies are not looked at.
"""

import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

import structlog
from django.contrib.auth import HASH_SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import DatabaseError, connection
from django.utils import timezone
from django.utils.crypto import constant_time_compare
from rest_framework import authentication, exceptions
from rest_framework.request import Request

from api.limits import bad_keys
from api.models import ApiKey
from api.services.keys import hash_of
from shop.actor import Actor, actor_for_user
from shop.conf import conf
from shop.db import one_or_none, write_at_once
from shop.db.written import Written, change
from shop.log_ins import client_address, network_of
from shop.models import Membership, User

REALM = "coldgap"
LAST_USE_EVERY = timedelta(minutes=1)
MOST_KEY_CHARACTERS = 128
_log = structlog.get_logger("coldgap.api")


@dataclass(frozen=True, slots=True, kw_only=True)
class Credential:
    """What a request was let in by. `id` names it in limits and kept answers; `key` is None for a person,
    `session` the key of their log-in."""

    id: str
    actor: Actor
    requests_per_minute: int
    key: ApiKey | None = None
    session: str = ""

    @property
    def counts_at(self) -> Collection[uuid.UUID]:
        """The sites whose common limit its requests use up. Those of people do not, so that no program keeps
        them from their pages."""
        return () if self.key is None else self.actor.roles.keys()


class ApiKeyAuthentication(authentication.BaseAuthentication):
    """`Authorization: Bearer <key>`."""

    def authenticate(self, request: Request) -> tuple[User, Credential] | None:
        header = request.META.get("HTTP_AUTHORIZATION")
        if header is None:
            return None
        scheme, _, text = header.partition(" ")
        if scheme.casefold() != "bearer":
            raise exceptions.AuthenticationFailed("Only a key is taken here: Authorization: Bearer <key>.")
        at = timezone.now()
        key = _good_key(text.strip(), at)
        if key is None:
            bad_keys.count(network_of(client_address(request.META)), at)
            _log.warning("bad key")
            raise exceptions.AuthenticationFailed(
                "This key is not good: there is none such, or it was revoked or has expired."
            )
        _note_use(key, at)
        actor = Actor(
            user=key.user,
            key_name=key.name,
            roles=_roles(key),
            scopes=frozenset(key.scopes),
            request_id=getattr(request, "request_id", ""),
        )
        return key.user, Credential(
            id=f"key:{key.pk}", actor=actor, requests_per_minute=key.requests_per_minute, key=key
        )

    def authenticate_header(self, request: Request) -> str:
        return f'Bearer realm="{REALM}"'


class SessionAuthentication(authentication.SessionAuthentication):
    """The log-in of the pages; writes need its CSRF token."""

    def authenticate(self, request: Request) -> tuple[User, Credential] | None:
        found = super().authenticate(request)
        if found is None:
            return None
        user = found[0]
        actor = actor_for_user(user, request_id=getattr(request, "request_id", ""))
        return user, Credential(
            id=f"user:{user.pk}",
            actor=actor,
            requests_per_minute=conf.requests_per_minute,
            session=request._request.session.session_key or "",
        )


def is_still_good(credential: Credential, at: datetime) -> bool:
    """Whether who was let in still would be, in the same roles: asked again and again of what is open."""
    actor = credential.actor
    if credential.key is not None:
        key = one_or_none(ApiKey.objects.select_related("user").filter(pk=credential.key.pk))
        return key is not None and _is_good(key, at) and _roles(key) == actor.roles
    user = one_or_none(User.objects.filter(pk=getattr(actor.user, "pk", None), is_active=True))
    return (
        user is not None
        and _is_logged_in(user, credential.session)
        and actor_for_user(user).roles == actor.roles
    )


def _is_logged_in(user: User, session: str) -> bool:
    # Empty once its time is over; of another password it has another mark.
    mark = SessionStore(session).load().get(HASH_SESSION_KEY, "")
    return constant_time_compare(mark, user.get_session_auth_hash())


def _good_key(text: str, at: datetime) -> ApiKey | None:
    # Looked up by its hash: how long that takes says nothing about any key that exists.
    if not text or len(text) > MOST_KEY_CHARACTERS or not text.isascii():
        return None
    found = _KEY.one(hash_of(text))
    if found is None:
        return None
    key, key.user = found
    return key if _is_good(key, at) else None


def _is_good(key: ApiKey, at: datetime) -> bool:
    if key.revoked_at is not None or not key.user.is_active:
        return False
    return key.expires_at is None or key.expires_at > at


def _roles(key: ApiKey) -> dict[uuid.UUID, str]:
    """The person's roles at the key's sites, in one query."""
    return {role.site_id: role.role for (role,) in _ROLES.rows(key.pk, key.user_id)}


_KEY = Written(
    """
    SELECT {program}, {person} FROM api_apikey program JOIN shop_user person ON person.id = program.user_id
    WHERE program.secret_sha256 = %s
    """,
    program=ApiKey,
    person=User,
)
_ROLES = Written(
    """
    SELECT {role} FROM shop_membership role
    JOIN api_apikey_sites at_site ON at_site.site_id = role.site_id
    WHERE at_site.apikey_id = %s AND role.user_id = %s
    """,
    role=Membership,
)


def _note_use(key: ApiKey, at: datetime) -> None:
    """Remember when the key was last used, to the minute. No reader waits for that: where somebody else is
    writing just then, another request will tell."""
    if key.last_used_at is not None and at - key.last_used_at < LAST_USE_EVERY:
        return
    passing_by = " FOR NO KEY UPDATE SKIP LOCKED" if connection.features.has_select_for_update else ""
    try:
        with write_at_once() as is_free:
            if is_free:
                change(_USED.format(passing_by), at, key.pk, at - LAST_USE_EVERY)
    except DatabaseError:
        _log.warning("could not note the last use of a key", exc_info=True)


_USED = """
    UPDATE api_apikey SET last_used_at = %s WHERE id = (
        SELECT id FROM api_apikey WHERE id = %s AND (last_used_at IS NULL OR last_used_at <= %s){}
    )
"""
