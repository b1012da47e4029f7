"""A program with its key, as the tests see it from outside; every answer is held against the document."""

import itertools
import json
from dataclasses import dataclass, field
from functools import cache

from django.test import Client
from django.test.client import BOUNDARY, encode_multipart
from django.urls import Resolver404, resolve
from django.utils import timezone
from jsonschema_rs import Draft202012Validator, Registry

from api.document import document
from api.problem_types import PROBLEM_TYPES
from api.services.keys import issue_key
from shop.actor import service_actor
from shop.roles import SCOPES

API = "/api/v1"
_numbers = itertools.count(1)


@dataclass(frozen=True)
class File:
    """A file in a body, which is then sent as multipart/form-data, as often as one likes."""

    name: str
    data: bytes
    content_type: str = "application/octet-stream"

    def read(self):
        return self.data


def encoded(body, content_type="application/json"):
    """The body as it is sent and its content type: a form where there is a file in it."""
    if isinstance(body, dict) and any(isinstance(value, File) for value in body.values()):
        return encode_multipart(BOUNDARY, body), f"multipart/form-data; boundary={BOUNDARY}"
    if isinstance(body, bytes | str):
        return body, content_type
    return json.dumps({} if body is None else body), content_type


@dataclass
class Program:
    """Every write has an Idempotency-Key of its own unless `key` names one (False: none at all)."""

    text: str
    client: Client = field(default_factory=lambda: Client(raise_request_exception=False))

    def get(self, path, **headers):
        return checked(self.client.get(API + path, headers=self._headers(headers)), "get", path)

    def post(self, path, body=None, **options):
        return self.send("post", path, body, **options)

    def patch(self, path, body=None, **options):
        return self.send("patch", path, body, **options)

    def send(
        self, method, path, body=None, *, key=None, if_match=None, content_type="application/json", **headers
    ):
        if key is not False:
            headers["Idempotency-Key"] = key or f"test-{next(_numbers)}"
        if if_match is not None:
            headers["If-Match"] = if_match
        data, content_type = encoded(body, content_type)
        response = getattr(self.client, method)(
            API + path, data=data, content_type=content_type, headers=self._headers(headers)
        )
        return checked(response, method, path)

    def act(self, path, body=None, **options):
        """POST to /things/<id>/<act> with the ETag that the thing has now."""
        return self.post(path, body, if_match=self.get(path.rpartition("/")[0])["ETag"], **options)

    def done(self, path, body=None, **options):
        """Post what the path asks for, to a thing as it is now; must succeed; the JSON that is answered."""
        if len(path.split("?")[0].strip("/").split("/")) == 3:
            options = {"if_match": "*"} | options
        response = self.post(path, body, **options)
        assert response.status_code in (200, 201, 202), response.content.decode()
        return response.json()

    def _headers(self, more):
        return {"Authorization": f"Bearer {self.text}", **more} if self.text else more


def program(user, *sites, scopes=SCOPES, **options) -> Program:
    """A program with a fresh key in the name of `user`."""
    _, text = issue_key(
        actor=service_actor(),
        at=timezone.now(),
        name="Bench calculator",
        user=user,
        sites=sites,
        scopes=scopes,
        **({"requests_per_minute": 1_000_000} | options),
    )
    return Program(text)


def checked(response, method, path):
    """The answer, once it is what the document says: status, media type, body; problems are whole."""
    path = path.split("?")[0]
    if response.status_code >= 400:
        check_problem(response)
    operation = operation_at(path, method)
    if operation is None or response.status_code == 405:
        return response
    described = operation["responses"].get(str(response.status_code))
    assert described is not None, f"{method} {path}: {response.status_code} is not in the document"
    if "$ref" in described:
        described = document()["components"]["responses"][described["$ref"].rpartition("/")[2]]
    content = described.get("content")
    if content is None:
        assert not response.content
        return response
    media_type = response["Content-Type"]
    assert media_type in content
    if response.streaming:
        return response
    if response.content and media_type == "application/json":
        validator(content[media_type]["schema"]).validate(response.json())
    return response


def check_problem(response):
    """RFC 9457 and our own table: a stable type, its status, the request's id, nothing of the inside."""
    assert response["Content-Type"] == "application/problem+json", response.content[:300]
    if not response.content:  # HEAD
        return
    problem = response.json()
    kind = PROBLEM_TYPES[problem["type"].removeprefix("/api/problems/")]
    assert problem["status"] == response.status_code
    assert problem["title"] == kind.title
    assert problem["detail"]
    said = [problem["detail"], *(error["detail"] for error in problem.get("errors", ()))]
    assert not any(".." in words or ".;" in words or "Ensure this" in words for words in said), said
    assert problem["instance"]
    for error in problem.get("errors", ()):
        assert set(error) == {"pointer", "detail"}
    assert "Traceback" not in response.content.decode()


def operation_at(path, method):
    """The document's operation for a path below /api/v1; None where it has none."""
    try:
        route = resolve(API + path).route
    except Resolver404:
        return None
    template = "/" + route.replace("<uuid:", "{").replace("<slug:", "{").replace(">", "}")
    return document()["paths"].get(template, {}).get(method)


def request_schema(path, method) -> Draft202012Validator:
    """What the document says that this operation takes."""
    content = operation_at(path, method)["requestBody"]["content"]
    return validator(content["application/json"]["schema"])


def validator(schema: dict) -> Draft202012Validator:
    """Checks a value against a schema of the document."""
    return _validator(json.dumps(schema))


# The compiled one: in Python a seventh of the time of all requests of the tests went into it.
@cache
def _validator(schema: str) -> Draft202012Validator:
    schema = schema.replace('"#/components/', '"urn:document#/components/')
    return Draft202012Validator(json.loads(schema), registry=_registry())


@cache
def _registry() -> Registry:
    return Registry([("urn:document", document())])
