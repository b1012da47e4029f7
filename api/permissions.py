"""Closed by default: a handler that does not say which action it is, is refused to everybody.

What is looked at here is whether the credential may do such a thing anywhere; whether it may do it at the
site in question is asked where the site is known, by the view and again by the service.
"""

from typing import Any

import structlog
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from api.authentication import Credential
from api.operations import operation_of
from shop.errors import Forbidden

_log = structlog.get_logger("coldgap.api")


class InsufficientScope(Forbidden):
    """The key's scopes do not include this (RFC 6750, section 3.1)."""

    code = "insufficient-scope"

    def __init__(self, message: str, scopes: list[str]) -> None:
        super().__init__(message, extra={"scopes": scopes})
        self.headers = {"WWW-Authenticate": f'Bearer error="insufficient_scope", scope="{" ".join(scopes)}"'}


class RoleOrScope(BasePermission):
    """The credential has a role, and the key a scope, that allow the handler's action at some site."""

    def has_permission(self, request: Request, view: Any) -> bool:
        credential = request.auth
        if not isinstance(credential, Credential):
            return False
        method = request.method.lower()
        handler = getattr(view, method, None) if method in view.http_method_names else None
        if handler is None:
            return True  # the framework answers 405
        operation = operation_of(handler)
        if operation is None:
            _log.error("a handler without a declared action", view=type(view).__name__)
            return False
        actor, action = credential.actor, operation.action
        if actor.scopes is not None and not actor.scopes & action.scopes:
            scopes = sorted(action.scopes)
            raise InsufficientScope(
                f"This key may not {action.label}: it would need one of the scopes {', '.join(scopes)}.",
                scopes,
            )
        actor.must_somewhere(action)
        return True
