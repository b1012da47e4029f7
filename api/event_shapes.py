"""What the events hold, kind by kind, as the document's `webhooks`. A closed list, like the events."""

from typing import Any

from shop.webhooks.events import EventKind

_LENGTH = {"$ref": "#/components/schemas/Length"}
_ID = {"type": "string", "format": "uuid"}
_TIME = {"type": "string", "format": "date-time"}
_TEXT = {"type": "string"}
_WHOLE = {"type": "integer", "minimum": 0}


def _object(**properties: Any) -> dict[str, Any]:
    """An object with these fields, all of them there; a later version may have more."""
    return {"type": "object", "properties": properties, "required": sorted(properties)}


_SITE = {"site": {"type": "string", "description": "The site's code."}}
_JOB = {"job": _ID, "number": {**_WHOLE, "description": "The job's number at its site."}}

DATA: dict[str, dict[str, Any]] = {
    EventKind.STOCK_LOW.value: _object(
        **_SITE,
        family=_TEXT,
        thickness=_LENGTH,
        minimum={**_WHOLE, "description": "How many the site wants to keep."},
        available={
            "type": "integer",
            "description": "On hand less held, in bins; used shims count at the nearest made size.",
        },
    ),
    EventKind.HOLD_EXPIRING.value: _object(
        **_SITE,
        hold=_ID,
        job={"type": ["string", "null"], "format": "uuid"},
        reference=_TEXT,
        expires_at=_TIME,
    ),
    EventKind.HOLD_READY.value: _object(**_SITE, **_JOB),
    EventKind.PLAN_STALE.value: _object(
        **_SITE, **_JOB, plan=_ID, because={"type": "string", "description": "Why, in one sentence."}
    ),
    EventKind.DELIVERY_RECEIVED.value: _object(
        **_SITE,
        purchase_list=_ID,
        number={**_WHOLE, "description": "The list's number at its site."},
        complete={"type": "boolean", "description": "Nothing of the list is outstanding any more."},
        received={
            "type": "array",
            "maxItems": 100,
            "items": _object(family=_TEXT, thickness=_LENGTH, quantity={"type": "integer", "minimum": 1}),
        },
        more={**_WHOLE, "description": "How many further sizes came, which are not listed."},
    ),
    EventKind.JOB_SIGNED_OFF.value: _object(**_SITE, **_JOB),
}


_THICKNESS = {"value": "2.650", "unit": "mm"}
_EXAMPLE_ID = "0190b0a0-0000-7000-8000-000000000004"
_EXAMPLE_JOB = {"site": "north", "job": _EXAMPLE_ID, "number": 4}
EXAMPLES: dict[str, dict[str, Any]] = {
    EventKind.STOCK_LOW.value: {
        "site": "north",
        "family": "d29",
        "thickness": _THICKNESS,
        "minimum": 3,
        "available": 2,
    },
    EventKind.HOLD_EXPIRING.value: {
        "site": "north",
        "hold": _EXAMPLE_ID,
        "job": None,
        "reference": "calculator 4711",
        "expires_at": "2026-03-02T10:30:00Z",
    },
    EventKind.HOLD_READY.value: _EXAMPLE_JOB,
    EventKind.PLAN_STALE.value: _EXAMPLE_JOB
    | {"plan": _EXAMPLE_ID, "because": "The shims are no longer held for Job 4: 2.650 mm for 2-IN-L."},
    EventKind.DELIVERY_RECEIVED.value: {
        "site": "north",
        "purchase_list": _EXAMPLE_ID,
        "number": 7,
        "complete": False,
        "received": [{"family": "d29", "thickness": _THICKNESS, "quantity": 2}],
        "more": 0,
    },
    EventKind.JOB_SIGNED_OFF.value: _EXAMPLE_JOB,
}


def message_schema(kind: str) -> dict[str, Any]:
    """The whole message of an event of this kind."""
    return _object(
        type={"type": "string", "const": kind},
        timestamp={**_TIME, "description": "When it happened."},
        data=DATA[kind],
    )


def add_events(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Give the document its webhooks: what is sent for each kind of event, and how it is signed."""
    result["webhooks"] = {kind.value: {"post": _operation(kind)} for kind in EventKind}
    return result


def _operation(kind: EventKind) -> dict[str, Any]:
    return {
        "operationId": f"on_{kind.value.replace('.', '_')}",
        "summary": f"{kind.label}.",
        "description": "Signed by Standard Webhooks 1.0.0. Sent at least once: a repeat has the same "
        "webhook-id. Tried for a good three days until the answer is a 2xx; 410 disables the webhook.",
        "tags": ["webhooks"],
        "parameters": [
            _header("webhook-id", "Names the event, at every attempt and replay.", _ID),
            _header("webhook-timestamp", "When this attempt was made, in seconds since 1970.", _WHOLE),
            _header("webhook-signature", "`v1,` and the signature, one for each secret in force.", _TEXT),
        ],
        "requestBody": {
            "required": True,
            "content": {
                "application/json": {
                    "schema": message_schema(kind.value),
                    "example": {
                        "type": kind.value,
                        "timestamp": "2026-03-02T08:30:00Z",
                        "data": EXAMPLES[kind.value],
                    },
                }
            },
        },
        "responses": {
            "2XX": {"description": "The event was taken."},
            "410": {"description": "No more events are wanted: the webhook is disabled."},
            "default": {"description": "The event was not taken, and is sent again later."},
        },
        "security": [],
    }


def _header(name: str, description: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "in": "header", "required": True, "description": description, "schema": schema}
