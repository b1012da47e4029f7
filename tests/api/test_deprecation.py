"""Bar A15: what is taken back says so on every answer (RFC 9745 and RFC 8594), refusals too."""

from datetime import date

import pytest
from django.urls import include, path
from drf_spectacular.generators import SchemaGenerator
from rest_framework import serializers

from api.deprecation import LEAST_NOTICE, Deprecation, deprecated
from api.document import document
from api.kinds import creates, shows
from api.views import ApiView
from shop.roles import Action
from tests.api.writes import operations


class OldSerializer(serializers.Serializer):
    word = serializers.CharField()


class Old(ApiView):
    """A sample that is in no version of the API."""

    answer = OldSerializer

    @deprecated(since=date(2026, 3, 1), sunset=date(2027, 3, 1))
    @shows(Action.READ, "old_thing", "What it was.")
    def get(self, call):
        return {"word": "still here"}

    @deprecated(since=date(2026, 3, 1))
    @creates(Action.WORK_JOB, "make_old_thing", "As it was made.", body=OldSerializer, example={"word": "x"})
    def post(self, call):
        raise AssertionError("never reached: the body is not right")


urlpatterns = [path("api/v1/old", Old.as_view()), path("", include("shop.urls"))]
# 2026-03-01T00:00:00Z, by `date -u +%s`.
SINCE = "@1772323200"


@pytest.mark.django_db
@pytest.mark.urls(__name__)
def test_every_answer_says_since_when_and_until_when(world):
    key = {"Authorization": f"Bearer {world.program.text}"}
    good = world.program.client.get("/api/v1/old", headers=key)
    unchanged = world.program.client.get("/api/v1/old", headers=key | {"If-None-Match": good["ETag"]})
    head = world.program.client.head("/api/v1/old", headers=key)
    refused = world.program.client.get("/api/v1/old?colour=red", headers=key)
    unknown = world.program.client.get("/api/v1/old")
    assert [one.status_code for one in (good, unchanged, head, refused, unknown)] == [200, 304, 200, 400, 401]
    for answer in (good, unchanged, head, refused, unknown):
        assert answer["Deprecation"] == SINCE
        assert answer["Sunset"] == "Mon, 01 Mar 2027 00:00:00 GMT"
        assert answer["Link"] == '</api/docs>; rel="deprecation"; type="text/html"'
    written = world.program.client.post("/api/v1/old", {}, "application/json", headers=key)
    assert (written.status_code, written["Deprecation"], written.get("Sunset")) == (400, SINCE, None)


@pytest.mark.django_db
def test_what_stands_says_nothing(world):
    answer = world.program.get("/me")
    assert not {"Deprecation", "Sunset"} & set(answer.headers)


def test_the_document_marks_it():
    made = SchemaGenerator(patterns=urlpatterns[:1]).get_schema(request=None, public=True)
    assert made["paths"]["/api/v1/old"]["get"]["deprecated"] is True


def test_nothing_ends_without_half_a_years_notice():
    Deprecation(since=date(2026, 3, 1), sunset=date(2026, 8, 28))
    with pytest.raises(ValueError, match="180 days"):
        Deprecation(since=date(2026, 3, 1), sunset=date(2026, 8, 27))


def test_the_policy_stands_in_the_document():
    """Which the page that the link leads to shows."""
    policy = document()["info"]["description"]
    for word in ("Deprecation", "Sunset", f"{LEAST_NOTICE.days} days", "/api/v1/"):
        assert word in policy
    assert [declared.name for _, _, declared in operations() if declared.deprecation] == []
