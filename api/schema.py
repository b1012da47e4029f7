"""The API's document (OpenAPI 3.1), made from what the methods declare and from nothing else."""

import re
from functools import lru_cache
from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension, OpenApiSerializerFieldExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import ResolvedComponent
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, OpenApiParameter
from rest_framework import serializers

from api.fields import Body, LengthField, Named
from api.operations import Operation, operation_of
from api.problem_types import PROBLEM_TYPES

_HEADER = OpenApiParameter.HEADER
_TEXT = {"type": "string"}
# No type: some readers hold it against the whole text, others against each event.
_EVENTS = {"description": "Events as the HTML standard has them, each with `id`, `event` and `data`, JSON."}
_LENGTH_SCHEMA = {
    "type": "object",
    "description": "A length with its unit. What was keyed keeps its unit; what is computed is in mm.",
    "properties": {
        "value": {
            "type": "string",
            "pattern": r"^-?[0-9]*\.?[0-9]+$",
            "maxLength": 24,
            "examples": ["2.650"],
        },
        "unit": {"type": "string", "enum": ["mm", "um", "in", "thou"]},
    },
    "required": ["value", "unit"],
    "additionalProperties": False,
}


class OperationSchema(AutoSchema):
    """Describes a method by its `Operation`."""

    def _operation(self) -> Operation:
        declared = operation_of(getattr(self.view, self.method.lower()))
        if declared is None:
            raise LookupError(f"{type(self.view).__name__}.{self.method.lower()} declares no operation")
        return declared

    def get_operation_id(self) -> str:
        return self._operation().name

    def get_summary(self) -> str:
        return self._operation().summary

    def get_description(self) -> str:
        operation = self._operation()
        scopes = ", ".join(sorted(operation.action.scopes))
        said = f"A key needs one of the scopes: {scopes}."
        if operation.keeps_its_answer:
            said += " Under the same Idempotency-Key the first answer is given again."
        return said

    def is_deprecated(self) -> bool:
        return self._operation().deprecation is not None

    def get_tags(self) -> list[str]:
        return [re.sub(self.path_prefix, "", self.path).strip("/").split("/")[0]]

    def get_override_parameters(self) -> list[Any]:
        operation = self._operation()
        found = [
            OpenApiParameter(
                parameter.name, parameter.schema, OpenApiParameter.QUERY, description=parameter.description
            )
            for parameter in operation.query
        ]
        if operation.keeps_its_answer:
            found.append(
                OpenApiParameter(
                    "Idempotency-Key",
                    {"type": "string", "minLength": 1, "maxLength": 255, "pattern": r"^[!#-~][!-~]*$"},
                    _HEADER,
                    required=True,
                    description="A string of the caller's, new for each act, the same for each repeat of it.",
                )
            )
        if operation.needs_if_match:
            found.append(
                OpenApiParameter(
                    "If-Match", _TEXT, _HEADER, required=True, description="The ETag of what was seen, or *."
                )
            )
        if operation.kind in ("list", "show"):
            found.append(
                OpenApiParameter(
                    "If-None-Match", _TEXT, _HEADER, description="304 where this is still the ETag."
                )
            )
        if operation.kind == "stream":
            found.append(
                OpenApiParameter("Last-Event-ID", _TEXT, _HEADER, description="Go on after this event.")
            )
        return [*found, *_response_headers(operation)]

    def get_request_serializer(self) -> Any:
        return self._operation().body

    def get_response_serializers(self) -> Any:
        operation = self._operation()
        if operation.kind in ("stream", "file"):
            return {operation.status: OpenApiTypes.STR}
        answer = operation.answer or self.view.answer
        if operation.kind == "list":
            answer = _page_of(answer)
        if operation.many:
            answer = _made_of(answer)
        return {operation.status: answer}

    def get_examples(self) -> list[OpenApiExample]:
        example, taken = self._operation().example, self.view.get_parsers()[0].media_type
        if example is None:
            return []
        return [OpenApiExample("Example", value=example, request_only=True, media_type=taken)]

    def _get_response_bodies(self, direction: str = "response") -> dict[str, Any]:
        responses = super()._get_response_bodies(direction)
        if self._operation().kind in ("list", "show"):
            responses["304"] = {"description": "Unchanged: the caller has it already."}
        if self._operation().kind == "stream":
            responses["200"]["content"] = {"text/event-stream": {"schema": _EVENTS}}
            responses["204"] = {"description": "The reader has seen everything; it need not ask again."}
        if media_types := self._operation().media_types:
            responses["200"]["content"] = {media_type: {"schema": _TEXT} for media_type in media_types}
        for status in self._refusals():
            responses[str(status)] = {"$ref": f"#/components/responses/Problem{status}"}
        return responses

    def _refusals(self) -> list[int]:
        operation = self._operation()
        found = {400, 401, 403, 406, 429, 500, 503}
        names_one = "{" in self.path or any(p.name == "site" for p in operation.query)
        if names_one or operation.keeps_its_answer or self.view.may_be_missing:
            found.add(404)
        if self.method in ("POST", "PATCH"):
            found |= {411, 413, 415}
        if operation.keeps_its_answer:
            found |= {409, 422}
        if operation.goes_by_state:
            found.add(409)
        if operation.needs_if_match:
            found |= {412, 428}
        return sorted(found)

    def _map_serializer(self, serializer: Any, direction: str, bypass_extensions: bool = False) -> Any:
        mapped = super()._map_serializer(serializer, direction, bypass_extensions)
        shape = serializer if isinstance(serializer, type) else type(serializer)
        if issubclass(shape, Body) and mapped.get("type") == "object":
            mapped["additionalProperties"] = False
        return mapped

    def _map_serializer_field(self, field: Any, direction: str, bypass_extensions: bool = False) -> Any:
        mapped = super()._map_serializer_field(field, direction, bypass_extensions)
        if isinstance(field, Named):
            mapped["maxProperties"] = field.most
        return mapped


class LengthExtension(OpenApiSerializerFieldExtension):
    """Every length is the one component."""

    target_class = "api.fields.LengthField"
    match_subclasses = True

    def map_serializer_field(self, auto_schema: Any, direction: str) -> dict[str, Any]:
        component = ResolvedComponent(
            name="Length", type=ResolvedComponent.SCHEMA, schema=_LENGTH_SCHEMA, object=LengthField
        )
        auto_schema.registry.register_on_missing(component)
        return component.ref


class ApiKeyScheme(OpenApiAuthenticationExtension):
    target_class = "api.authentication.ApiKeyAuthentication"
    name = "key"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "`Authorization: Bearer <key>` (RFC 6750).",
        }


class SessionScheme(OpenApiAuthenticationExtension):
    target_class = "api.authentication.SessionAuthentication"
    name = "session"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return {
            "type": "apiKey",
            "in": "cookie",
            "name": "sid",
            "description": "The log-in of the pages; writes need its CSRF token in X-CSRFToken.",
        }


def add_problems(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Give the document its refusals: one schema, one response per status, each listing its types."""
    components = result["components"]
    # The generator's name for null; the standard has one.
    components["schemas"].pop("NullEnum", None)
    _replace(result, {"$ref": "#/components/schemas/NullEnum"}, {"type": "null"})
    components["schemas"]["Problem"] = _problem_schema()
    by_status: dict[int, list[str]] = {}
    for kind in PROBLEM_TYPES.values():
        by_status.setdefault(kind.status, []).append(f"`{kind.code}`: {kind.title}.")
    components["responses"] = {
        f"Problem{status}": {
            "description": " ".join(lines),
            "headers": _problem_headers(status),
            "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
        for status, lines in sorted(by_status.items())
    }
    return result


def _replace(tree: Any, old: Any, new: Any) -> None:
    for key, value in tree.items() if isinstance(tree, dict) else enumerate(tree):
        if value == old:
            tree[key] = dict(new)
        elif isinstance(value, dict | list):
            _replace(value, old, new)


def _problem_schema() -> dict[str, Any]:
    return {
        "type": "object",
        "description": "RFC 9457. `type` is stable and leads to a page about it; some types add facts.",
        "properties": {
            "type": {"type": "string", "enum": [kind.address for kind in PROBLEM_TYPES.values()]},
            "title": _TEXT,
            "status": {"type": "integer", "minimum": 400, "maximum": 599},
            "detail": _TEXT,
            "instance": {
                "type": "string",
                "description": "The request's id, as in X-Request-ID and our log.",
            },
            "errors": {
                "type": "array",
                "items": {
                    "type": "object",
                    "properties": {
                        "pointer": {
                            "type": "string",
                            "description": 'RFC 6901 into the body; "" is all of it, ?name in the query.',
                        },
                        "detail": _TEXT,
                    },
                    "required": ["pointer", "detail"],
                },
            },
        },
        "required": ["type", "title", "status", "detail", "instance"],
    }


def _problem_headers(status: int) -> dict[str, Any]:
    headers: dict[str, Any] = {"X-Request-ID": {"schema": _TEXT}}
    if status in (429, 503):
        headers["Retry-After"] = {"schema": {"type": "integer"}, "description": "Seconds to wait."}
    if status == 409:
        headers["Retry-After"] = {
            "schema": {"type": "integer"},
            "description": "Seconds to wait; only with type in-flight.",
        }
    if status in (401, 403):
        headers["WWW-Authenticate"] = {"schema": _TEXT, "description": "RFC 6750, section 3."}
    return headers


def _response_headers(operation: Operation) -> list[OpenApiParameter]:
    def header(name: str, description: str, *statuses: int) -> OpenApiParameter:
        on: Any = list(statuses or (operation.status,))
        return OpenApiParameter(name, _TEXT, _HEADER, description=description, response=on)

    found = [
        header(
            "RateLimit",
            'What is left: `"default";r=<requests>;t=<seconds>` of your own limit, with a key also `"site"`.',
        ),
        header(
            "RateLimit-Policy",
            'The limits: `"default";q=<requests>;w=60` is yours; `"site"` that of all keys of your site.',
        ),
        header("X-Request-ID", "Names this request in our log."),
    ]
    if operation.kind == "file":
        found.append(header("Content-Disposition", "The file's name."))
    if operation.kind not in ("compute", "stream", "file") and not operation.many:
        found.append(header("ETag", "Strong tag of what is sent."))
    if operation.kind == "create" and not operation.many:
        found.append(header("Location", "The address of what was made."))
    if operation.keeps_its_answer:
        found.append(header("Idempotency-Replayed", "true where this is the first request's answer again."))
    return found


_pages: dict[type, type] = {}


def _page_of(answer: type[serializers.BaseSerializer]) -> type[serializers.BaseSerializer]:
    """The shape of a page of these rows; one class per row class, so that it is one component."""
    if answer not in _pages:
        name = answer.__name__.removesuffix("Serializer")
        _pages[answer] = type(
            f"{name}PageSerializer",
            (serializers.Serializer,),
            {
                "items": answer(many=True),
                "next_cursor": serializers.CharField(
                    allow_null=True, help_text="For `cursor` of the next request; null on the last page."
                ),
            },
        )
    return _pages[answer]


@lru_cache
def _made_of(answer: type[serializers.BaseSerializer]) -> type[serializers.BaseSerializer]:
    """The shape of many things that were made at once."""
    name = answer.__name__.removesuffix("Serializer")
    items = answer(many=True, help_text="In the order in which they were sent.")
    return type(f"{name}sMadeSerializer", (serializers.Serializer,), {"items": items})
