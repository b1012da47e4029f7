"""The kinds of methods, as decorators. Each does what is the same for all of its kind.

    @lists     GET: rows, a page at a time                      method(self, call, **path) -> QuerySet
    @shows     GET: one thing                                   method(self, call, **path) -> thing
    @streams   GET: what happens, as it happens                 method(self, call, after, **path) -> looks
    @files     GET: a file to keep                              method(self, call, **path) -> HttpResponse
    @computes  POST that changes nothing                        method(self, call) -> what is sent
    @creates   POST that makes a thing: 201 and its address     method(self, call) -> thing
               with `later=True` a task that does the work: 202 and the task's address
    @acts      POST on a thing that exists                      method(self, call, thing) -> anything
    @changes   PATCH of a thing: other values for what is named  method(self, call, thing) -> anything

What is left in the method is one call of a service or a selector.
"""

import functools
import json
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, NamedTuple, TypeVar

from django.db import IntegrityError, transaction
from django.http import HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.urls import reverse
from django.utils import timezone
from rest_framework.request import Request
from rest_framework.serializers import BaseSerializer

from api import queries
from api.authentication import is_still_good
from api.dry_runs import is_asked_for, offered_for, tried
from api.etags import check_if_match, etag_of, is_unchanged, require_if_match
from api.event_stream import EVENT_STREAM, stream_response
from api.fields import Body
from api.idempotency import answer_once, read_key
from api.listing import FIELDS, Orderings, asked_order, fields_parameter, ordering_parameter, picked
from api.operations import STATELESS, Operation
from api.pagination import MOST, USUAL, page_of
from api.problems import problem_of
from api.queries import QueryParameter
from api.services.trail import write_down
from api.shapes import sent_all
from api.views import ApiView, Call
from shop.errors import FieldError, Invalid, ShopError
from shop.models import Site
from shop.roles import Action

Method = TypeVar("Method", bound=Callable[..., Any])
Decorator = Callable[[Method], Callable[..., HttpResponseBase]]

PAGING = (
    queries.text("cursor", "Where the page before ended: its `next_cursor`.", most=1_000),
    queries.whole("limit", f"Rows on a page, at most {MOST}; left out, {USUAL}.", least=1, most=MOST),
)
# What may differ from page to page: a cursor is bound to everything else that was asked.
OF_ONE_PAGE = frozenset({"cursor", "limit", FIELDS})
# Answers that depend on the state of things: they stick to their Idempotency-Key (law 6).
STICKING = frozenset({409, 412})


class Told(NamedTuple):
    """What the method of a write with `tells` returns: the thing, and the secret that is told this once."""

    thing: Any
    secret: str


class Produced(NamedTuple):
    """What a write answers, and the site that it was about; None for what all sites share."""

    response: HttpResponse
    site: Site | None


class Nothing(Body):
    """The body of an act that needs no more than its address: none at all, or {}."""


def lists(
    action: Action,
    name: str,
    summary: str,
    *,
    order: tuple[str, ...] | Callable[[Mapping[str, Any]], tuple[str, ...]],
    query: tuple[QueryParameter, ...] = (),
    orderings: Orderings = MappingProxyType({}),
    wide: type[BaseSerializer] | None = None,
    answer: type[BaseSerializer] | None = None,
    render: Callable[[Any], Any] | None = None,
) -> Decorator:
    """Rows in this order, which must be unique and never change (api/pagination.py); a function gives it for
    the query, where another question is answered in another order, and then looks at `ordering` itself.

    `orderings`: other orders that may be asked for, by name, as unique. `wide`: what a row looks like, where
    a reader may ask for some of its fields only. `answer`: what a row looks like, where it is not the view's.
    `render`: a faster way to the same, for one row; a test holds it against `answer`.
    """
    more = (ordering_parameter(orderings),) if orderings else ()
    more += (fields_parameter(wide),) if wide else ()
    operation = Operation(
        kind="list", name=name, action=action, summary=summary, answer=answer, query=(*query, *more, *PAGING)
    )

    def run(view: ApiView, method: Method, request: Request, **path: Any) -> HttpResponse:
        call = view.read(request, operation)
        filters = {key: value for key, value in call.query.items() if key not in OF_ONE_PAGE}
        page = page_of(
            method(view, call, **path),
            order(call.query) if callable(order) else asked_order(call.query, orderings, order),
            limit=call.query.get("limit", USUAL),
            cursor=call.query.get("cursor"),
            belongs_to={"who": call.credential.id, "path": request.path, "filters": filters},
        )
        shape = answer or view.answer
        items = [render(row) for row in page.rows] if render else sent_all(shape, page.rows)
        return _sent(request, {"items": picked(items, call.query), "next_cursor": page.next_cursor})

    return _declared(operation, run)


def shows(action: Action, name: str, summary: str, *, query: tuple[QueryParameter, ...] = ()) -> Decorator:
    """One thing, or 304 where the caller has it already."""
    operation = Operation(kind="show", name=name, action=action, summary=summary, query=query)

    def run(view: ApiView, method: Method, request: Request, **path: Any) -> HttpResponse:
        return _sent(request, view.represent(method(view, view.read(request, operation), **path)))

    return _declared(operation, run)


def streams(action: Action, name: str, summary: str) -> Decorator:
    """An answer that stays open (api/event_stream.py). The method is given the id after which its reader goes
    on, "" from one that begins, and returns what to look at; None for a reader that has seen everything."""
    operation = Operation(kind="stream", name=name, action=action, summary=summary)

    def run(view: ApiView, method: Method, request: Request, **path: Any) -> HttpResponseBase:
        call = view.read(request, operation)
        looks = method(view, call, request.headers.get("Last-Event-ID", ""), **path)
        if looks is None:
            return HttpResponse(status=204)
        if request.method == "HEAD":
            return StreamingHttpResponse((), content_type=EVENT_STREAM)
        return stream_response(
            looks, call.credential.id, lambda: is_still_good(call.credential, timezone.now())
        )

    return _declared(operation, run)


def files(
    action: Action,
    name: str,
    summary: str,
    *,
    media_types: tuple[str, ...],
    query: tuple[QueryParameter, ...] = (),
    goes_by_state: bool = False,
) -> Decorator:
    """A file of one of these types, made for this request: it has no ETag, and may stream."""
    operation = Operation(
        kind="file",
        name=name,
        action=action,
        summary=summary,
        query=query,
        media_types=media_types,
        goes_by_state=goes_by_state,
    )

    def run(view: ApiView, method: Method, request: Request, **path: Any) -> HttpResponseBase:
        response = method(view, view.read(request, operation), **path)
        if request.method == "HEAD" and response.streaming:
            return StreamingHttpResponse((), headers=dict(response.items()))
        return response

    return _declared(operation, run)


def computes(
    action: Action, name: str, summary: str, *, body: type[BaseSerializer], example: Any
) -> Decorator:
    """What the body asks for, worked out. The method checks the body itself; `body` describes it."""
    if name not in STATELESS:
        raise ValueError(f"{name} is not in the table of writes that change nothing")
    operation = Operation(
        kind="compute", name=name, action=action, summary=summary, body=body, example=example
    )

    def run(view: ApiView, method: Method, request: Request, **path: Any) -> HttpResponse:
        return _response(_bytes(method(view, view.read(request, operation), **path)))

    return _declared(operation, run)


def creates(
    action: Action,
    name: str,
    summary: str,
    *,
    body: type[BaseSerializer],
    example: Any,
    answer: type[BaseSerializer] | None = None,
    tells: str = "",
    later: bool = False,
    many: bool = False,
) -> Decorator:
    """A new thing: 201, its address in Location, its tag in ETag. With `tells` the method returns `Told`, and
    `answer` is the thing with that field besides. With `later` the thing is a task: 202. With `many` the
    method returns a list of new things of one site, none where nothing had to be made, which are answered in
    its order; neither Location nor ETag says anything of a list."""
    operation = Operation(
        kind="create",
        name=name,
        action=action,
        summary=summary,
        body=body,
        example=example,
        answer=answer,
        query=offered_for(body),
        tells=tells,
        later=later,
        many=many,
    )

    def run(view: ApiView, method: Method, request: Request, **path: Any) -> HttpResponse:
        key = read_key(request.headers.get("Idempotency-Key"))
        call = view.read(request, operation)

        def produce() -> Produced:
            made, told = _told(operation, method(view, call, **path))
            if many:
                found = view.rows(call.actor).in_bulk([thing.pk for thing in made])
                items = sent_all(view.answer, (found[thing.pk] for thing in made))
                site = made[0].site if made else None
                return Produced(_response(_bytes({"items": items}), operation.status), site)
            shown = view.represent(view.made(call.actor, made))
            response = _tagged(shown, status=operation.status, told=told)
            response["Location"] = reverse(f"api:{view.one}", kwargs=view.path_of(made))
            return Produced(response, getattr(made, "site", None))

        return _once(request, call, key, produce, operation)

    return _declared(operation, run)


def acts(
    action: Action,
    name: str,
    summary: str,
    *,
    body: type[BaseSerializer] = Nothing,
    example: Any = None,
    answer: type[BaseSerializer] | None = None,
    tells: str = "",
) -> Decorator:
    """An act on a thing, which is answered as it is afterwards. Nothing is done to what the caller has not
    seen as it is: If-Match is needed, and looked at with the thing locked (bar L12). `answer`, `tells`: as
    for `creates`."""
    operation = Operation(
        kind="act",
        name=name,
        action=action,
        summary=summary,
        body=body,
        example=example,
        answer=answer,
        query=offered_for(body),
        tells=tells,
    )
    return _on_a_thing(operation)


def changes(
    action: Action, name: str, summary: str, *, body: type[BaseSerializer], example: Any
) -> Decorator:
    """Other values for those of a thing's fields that the body names; the others stay. If-Match as for
    `acts`. A body that names none is refused."""
    return _on_a_thing(
        Operation(kind="change", name=name, action=action, summary=summary, body=body, example=example)
    )


def _on_a_thing(operation: Operation) -> Decorator:
    action = operation.action

    def run(view: ApiView, method: Method, request: Request, **path: Any) -> HttpResponse:
        key = read_key(request.headers.get("Idempotency-Key"))
        seen = require_if_match(request.headers.get("If-Match"))
        call = view.read(request, operation)
        if operation.kind == "change" and not call.body:
            raise Invalid("Name at least one field to change.", errors=[FieldError("", "is empty")])

        def produce() -> Produced:
            thing = view.find(call.actor, lock=True, **path)
            if (site := getattr(thing, "site", None)) is not None:
                call.actor.must(action, site)
            view.refuse_ended(thing, call.at)
            check_if_match(seen, etag_of(_bytes(view.represent(thing))))
            done, told = _told(operation, method(view, call, thing))
            shown = view.represent(view.acted(call.actor, thing, done, **path))
            return Produced(_tagged(shown, told=told), site)

        return _once(request, call, key, produce, operation)

    return _declared(operation, run)


def _declared(operation: Operation, run: Callable[..., HttpResponseBase]) -> Decorator:
    def decorate(method: Method) -> Callable[..., HttpResponseBase]:
        @functools.wraps(method)
        def answering(view: ApiView, request: Request, **path: Any) -> HttpResponseBase:
            return run(view, method, request, **path)

        answering.operation = operation  # type: ignore[attr-defined]
        return answering

    return decorate


def _told(operation: Operation, made: Any) -> tuple[Any, dict[str, str]]:
    """What a method returned, apart: the thing, and the field that only this answer has."""
    return (made.thing, {operation.tells: made.secret}) if operation.tells else (made, {})


def _once(
    request: Request,
    call: Call,
    key: str,
    produce: Callable[[], Produced],
    operation: Operation,
) -> HttpResponse:
    """The answer, or the first one, which stands in the audit trail. A service that refuses has rolled its
    own work back; what it left on purpose, a plan marked as out of date, stays, as it does for its other
    callers."""

    if is_asked_for(call.query):
        return tried(lambda: produce().response)

    def refusal_of(error: Exception) -> HttpResponse:
        response = problem_of(error, request)
        if response is None or response.status_code not in STICKING:
            raise error
        return response

    def answer() -> HttpResponse:
        site: Site | None = None
        try:
            with transaction.atomic():
                try:
                    response, site = produce()
                except ShopError as refusal:
                    response = refusal_of(refusal)
        except IntegrityError as broken:
            response = refusal_of(broken)
        write_down(request, call, operation, response, site)
        return response

    return answer_once(
        request,
        credential=call.credential.id,
        key=key,
        at=call.at,
        produce=answer,
        sealed=bool(operation.tells),
    )


def _sent(request: Request, data: Any) -> HttpResponse:
    response = _tagged(data)
    if is_unchanged(request.headers.get("If-None-Match"), response["ETag"]):
        return HttpResponse(status=304, headers={"ETag": response["ETag"]})
    return response


def _tagged(data: Any, status: int = 200, told: Mapping[str, str] | None = None) -> HttpResponse:
    """The thing as JSON; its tag is that of the thing alone, which is what a later request can name."""
    body = _bytes(data)
    response = _response(_bytes({**data, **told}) if told else body, status)
    response["ETag"] = etag_of(body)
    return response


def _response(body: bytes, status: int = 200) -> HttpResponse:
    return HttpResponse(body, status=status, content_type="application/json")


def _bytes(data: Any) -> bytes:
    return json.dumps(data, ensure_ascii=False, separators=(",", ":")).encode()
