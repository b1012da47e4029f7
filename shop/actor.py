"""Who acts: a person in the pages or a program by its key. Every service that writes takes one."""

import uuid
from dataclasses import dataclass, field

from shop.errors import Forbidden, NotFound
from shop.models import Site, User
from shop.roles import ALLOWED, Action


@dataclass(frozen=True, slots=True, kw_only=True)
class Actor:
    """The one who acts, with what they may do where.

    user: the person, or the person in whose name a key acts; None for the service itself.
    key_name: the API key's name where a program acts, else "".
    roles: site id -> role; a site that is not in it does not exist for this actor.
    scopes: None for a person; the key's scopes for a program.
    request_id: ties a movement to the request's log lines.
    """

    user: User | None
    key_name: str = ""
    roles: dict[uuid.UUID, str] = field(default_factory=dict)
    scopes: frozenset[str] | None = None
    is_service: bool = False
    request_id: str = ""

    @property
    def label(self) -> str:
        """The name that ledger and history show; never empty."""
        if self.is_service:
            return "Coldgap"
        person = str(self.user) if self.user else ""
        return f"{self.key_name} (key of {person})" if self.key_name else person

    def may(self, action: Action, site: Site) -> bool:
        if self.is_service:
            return True
        role = self.roles.get(site.id)
        if role is None or role not in ALLOWED[action]:
            return False
        return self.scopes is None or bool(self.scopes & action.scopes)

    def must(self, action: Action, site: Site) -> None:
        """Raise NotFound for another site (it does not exist here), Forbidden for the wrong role."""
        if self.is_service:
            return
        if site.id not in self.roles:
            raise NotFound("There is no such thing here.")
        if not self.may(action, site):
            allowed = ", ".join(sorted(ALLOWED[action]))
            raise Forbidden(f"Your role may not {action.label}; it takes: {allowed}.")

    def must_somewhere(self, action: Action) -> None:
        """For what all sites share, the catalogue: the role at any one site will do. Raises Forbidden."""
        if self.is_service or (
            any(role in ALLOWED[action] for role in self.roles.values())
            and (self.scopes is None or self.scopes & action.scopes)
        ):
            return
        allowed = ", ".join(sorted(ALLOWED[action]))
        raise Forbidden(f"Your role may not {action.label}; it takes: {allowed}.")


def actor_for_user(user: User, *, request_id: str = "") -> Actor:
    """The actor for a logged-in person, with their roles read once."""
    return Actor(
        user=user, roles=dict(user.memberships.values_list("site_id", "role")), request_id=request_id
    )


def service_actor(request_id: str = "") -> Actor:
    """The service itself: the sweep of expired holds, the demo's builder."""
    return Actor(user=None, is_service=True, request_id=request_id)
