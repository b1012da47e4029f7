"""The document served, the page that shows it, and a page per problem type."""

import json
from functools import lru_cache
from threading import Lock

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe
from drf_spectacular.generators import SchemaGenerator
from rest_framework import serializers

from api.kinds import shows
from api.problem_types import PROBLEM_TYPES
from api.views import ApiView, Call
from shop.roles import Action


class DocumentSerializer(serializers.Serializer):
    """An OpenAPI 3.1 document."""

    openapi = serializers.CharField()
    info = serializers.JSONField()
    paths = serializers.JSONField()
    components = serializers.JSONField()


class Document(ApiView):
    answer = DocumentSerializer

    @shows(Action.READ, "document", "This document.")
    def get(self, call: Call) -> dict[str, object]:
        return document()

    def represent(self, thing: dict[str, object]) -> dict[str, object]:
        return thing


def document() -> dict[str, object]:
    """The document, made once per process: it depends on the code alone."""
    # The generator loads its own parts on the way: of two threads that came first one was answered 500.
    with _making:
        return _document()


_making = Lock()


@lru_cache(maxsize=1)
def _document() -> dict[str, object]:
    made = SchemaGenerator().get_schema(request=None, public=True)
    # Through JSON, so that what is served is what a reader of the file sees.
    return json.loads(json.dumps(made))


@require_safe
def docs(request: HttpRequest) -> HttpResponse:
    """The document as a page, from our own files only; people log in first, like for every page."""
    return render(request, "api/docs.html")


@login_not_required
@require_safe
def problem_list(request: HttpRequest) -> HttpResponse:
    return render(request, "api/problems.html", {"types": list(PROBLEM_TYPES.values())})


@login_not_required
@require_safe
def problem_page(request: HttpRequest, code: str) -> HttpResponse:
    """What the `type` of a problem leads to. Public: it says nothing about the shop."""
    kind = PROBLEM_TYPES.get(code)
    if kind is None:
        raise Http404
    return render(request, "api/problem.html", {"kind": kind})
