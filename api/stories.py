"""Stories: everything that happened to one bin, to one job's shims, to a family or size, or by one person."""

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from api import queries
from api.bins import BinView
from api.families import FamilyView
from api.jobs import JobView
from api.kinds import lists
from api.listing import ORDERING, turned
from api.lookups import not_found, site_of
from api.pagination import Found
from api.views import ApiView, Call
from api.words import HAPPENING_KINDS
from inventory.compute.lengths import plausible_shim
from inventory.compute.sizes import no_such_size
from inventory.models import ShimFamily
from inventory.selectors.happenings import Asked, Happening, Story
from inventory.selectors.people import person_of
from inventory.selectors.stories import story_of_bin, story_of_job, story_of_person, story_of_size
from shop.errors import FieldError, Invalid
from shop.models import Site, User
from shop.roles import Action

ORDER = ("-at", "-number", "-object_id", "-what")
ORDERINGS = {"at": tuple(map(turned, ORDER))}
SITE = queries.text("site", "Code of the site; left out where the credential sees only one.", most=20)
FILTERS = (
    queries.choice("kind", "Only of this kind.", HAPPENING_KINDS),
    *queries.period("what happened"),
)

OF_A_FAMILY = (
    SITE,
    queries.length(
        "thickness", "Only of this size: all shims that are nearest to it.", plausible=plausible_shim
    ),
    *FILTERS,
)
BY_A_PERSON = (
    SITE,
    queries.text("person", "By their log-in; left out, whoever asks.", most=150),
    *FILTERS,
)


class HappeningSerializer(serializers.Serializer):
    """One thing that happened. movement: the movement that it was. thing: the bin, count, hold, inspection
    or need that it happened to. null where there is none."""

    at = serializers.DateTimeField()
    kind = serializers.ChoiceField(choices=HAPPENING_KINDS)
    what = serializers.CharField(help_text="In a word or two.")
    by = serializers.CharField(allow_blank=True)
    text = serializers.CharField(help_text="The particulars.")
    movement = serializers.UUIDField(allow_null=True)
    thing = serializers.UUIDField(allow_null=True)


class BinHistory(BinView):
    answer = HappeningSerializer

    @lists(
        Action.READ,
        "bin_history",
        "What went through a bin, its counts and holds, and what was done to it; newest first.",
        order=ORDER,
        orderings=ORDERINGS,
        query=FILTERS,
    )
    def get(self, call: Call, **path: Any) -> Found:
        return _told(story_of_bin(self.find(call.actor, **path), at=call.at), call.query)


class JobHistory(JobView):
    answer = HappeningSerializer

    @lists(
        Action.READ,
        "job_history",
        "What a job did to the stock: its movements, holds and needs; newest first.",
        order=ORDER,
        orderings=ORDERINGS,
        query=FILTERS,
    )
    def get(self, call: Call, **path: Any) -> Found:
        job = self.find(call.actor, **path)
        return _told(story_of_job(job.site, job.pk, at=call.at), call.query)


class FamilyHistory(FamilyView):
    answer = HappeningSerializer

    @lists(
        Action.READ,
        "family_history",
        "What happened at a site to the shims of a family, or to those of one size; newest first.",
        order=ORDER,
        orderings=ORDERINGS,
        query=OF_A_FAMILY,
    )
    def get(self, call: Call, **path: Any) -> Found:
        _, story = asked_family(call, self.find(call.actor, **path))
        return _told(story, call.query)


class PersonHistory(ApiView):
    answer = HappeningSerializer

    @lists(
        Action.READ,
        "person_history",
        "What a person did to the stock of a site, themselves or by a key in their name; newest first.",
        order=ORDER,
        orderings=ORDERINGS,
        query=BY_A_PERSON,
    )
    def get(self, call: Call) -> Found:
        _, story = asked_person(call)
        return _told(story, call.query)


def asked_family(call: Call, family: ShimFamily) -> tuple[Site, Story]:
    """The site that is meant, and what happened there to the family, or to the size that is asked for."""
    size_nm = call.query.get("thickness")
    if size_nm is not None and (words := no_such_size(family.range, size_nm, family.name)):
        raise Invalid(
            f"There is no such size: {words}.",
            code="invalid-query",
            errors=[FieldError("?thickness", words)],
        )
    site = site_of(call.actor, call.query.get("site"), "?site")
    return site, story_of_size(site, family, size_nm, at=call.at)


def asked_person(call: Call) -> tuple[User, Story]:
    """The person who is meant, and what they did at the site that is meant."""
    site = site_of(call.actor, call.query.get("site"), "?site")
    person = call.actor.user
    if "person" in call.query:
        person = person_of(site, call.query["person"])
    if person is None:
        raise not_found("?person")
    return person, story_of_person(site, person)


def asked_of(query: Mapping[str, Any]) -> Asked:
    """What of a story is asked for."""
    return Asked(since=query.get("from"), until=query.get("to"), kind=query.get("kind"))


def _told(story: Story, query: Mapping[str, Any]) -> Found:
    asked = asked_of(query)
    tell = story.after if query.get(ORDERING) == "at" else story.behind

    def found(last: list[Any] | None, most: int) -> list[Happening]:
        return tell(None if last is None else (last[0], last[1], last[2], last[3]), asked, most=most)

    return found
