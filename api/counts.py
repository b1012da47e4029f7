"""Counts of bins, blind: no figure of a count is sent before two persons or the books have settled it."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Flag, Keyed, LengthField, Several, Text, Whole, Word
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, families_of, one_of, site_of
from api.pointers import as_sent
from api.shapes import sent, sent_all
from api.stock import SITE
from api.views import ApiView, Call
from api.words import CONDITIONS, COUNT_STATES, PLACE_KINDS
from inventory.compute.lengths import plausible_shim
from inventory.models import BinCount, Place, Tally
from inventory.selectors.counting import CountSheet, countable, sheet_of
from inventory.selectors.variance import VarianceLine, outcome_of
from inventory.services.count_posting import approve_count, cancel_count, post_count, reject_count
from inventory.services.counting import MOST_LOTS, Found, begin_count, key_count, open_counts
from inventory.services.ledger import MOST_QUANTITY
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.models import Site
from shop.roles import Action


class CountRowSerializer(serializers.Serializer):
    """gross_value: what the differences that two persons found are worth, gains and losses alike, in
    currency; null before that, and where a value is not known."""

    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    number = serializers.IntegerField()
    place = serializers.CharField(source="place.code")
    place_kind = serializers.ChoiceField(choices=PLACE_KINDS, source="place.kind")
    state = serializers.ChoiceField(choices=COUNT_STATES)
    why = serializers.CharField(allow_blank=True)
    opened_at = serializers.DateTimeField()
    opened_by = serializers.CharField()
    gross_value = serializers.DecimalField(max_digits=16, decimal_places=6, allow_null=True)
    currency = serializers.CharField(allow_blank=True)
    approved_at = serializers.DateTimeField(allow_null=True)
    approved_by = serializers.CharField(allow_blank=True)
    closed_at = serializers.DateTimeField(allow_null=True)
    closed_by = serializers.CharField(allow_blank=True)
    note = serializers.CharField(allow_blank=True)
    movement = serializers.UUIDField(source="movement.uid", allow_null=True, default=None)


class TallySerializer(serializers.Serializer):
    """That somebody has counted; what they found is not said."""

    by = serializers.CharField()
    started_at = serializers.DateTimeField()
    keyed_at = serializers.DateTimeField()


class SheetLotSerializer(serializers.Serializer):
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    condition = serializers.ChoiceField(choices=CONDITIONS)


class CountedLotSerializer(SheetLotSerializer):
    """books: what the books said while it was counted. value: of the difference, below zero for a loss; null
    where it is not known."""

    thickness = Keyed()
    counted = serializers.IntegerField()
    books = serializers.IntegerField()
    difference = serializers.IntegerField()
    unit_value = serializers.DecimalField(max_digits=16, decimal_places=6, allow_null=True)
    value = serializers.DecimalField(max_digits=22, decimal_places=6, allow_null=True)


class CountSerializer(CountRowSerializer):
    """tallies: who has counted. begun_at, sheet: since when the caller's own person counts, and of which lots
    they must say how many there are; null while they do not count. lots: what came out; null until it is
    settled, and of a count that was called off."""

    tallies = TallySerializer(many=True)
    begun_at = serializers.DateTimeField(allow_null=True)
    sheet = SheetLotSerializer(many=True, allow_null=True)
    lots = CountedLotSerializer(many=True, allow_null=True)

    def to_representation(self, seen: "SeenCount") -> dict[str, Any]:
        sheet = seen.sheet
        return {
            **sent(CountRowSerializer, seen.count),
            "tallies": sent_all(TallySerializer, seen.tallies),
            "begun_at": _moment(sheet.tally.started_at) if sheet else None,
            "sheet": sent_all(SheetLotSerializer, sheet.lots) if sheet else None,
            "lots": None if seen.lots is None else sent_all(CountedLotSerializer, seen.lots),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenCount:
    """A count as one person may see it."""

    count: BinCount
    tallies: Sequence[Tally]
    sheet: CountSheet | None
    lots: Sequence[VarianceLine] | None

    @property
    def pk(self) -> uuid.UUID:
        return self.count.pk

    @property
    def site(self) -> Site:
        return self.count.site


class OpenCountSerializer(Body):
    site = Text(most=20, required=False)
    place = Text(most=20, help_text="Code of a bin, or inspection, or receiving.")
    why = Text(most=120, required=False)


class FoundLotSerializer(Body):
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    condition = Word(choices=CONDITIONS)
    quantity = Whole(least=0, most=MOST_QUANTITY)


class KeyCountSerializer(Body):
    found = Several(
        child=FoundLotSerializer(),
        least=0,
        most=MOST_LOTS,
        help_text="Every lot of the sheet, with 0 where there is none, and whatever else is there.",
    )


class CountNoteSerializer(Body):
    note = Text(most=400, required=False)


class RejectCountSerializer(Body):
    note = Text(most=400, help_text="Why the difference is not posted.")
    count_anew = Flag(required=False, help_text="true: ask for the place to be counted again at once.")


class CountView(ApiView):
    answer = CountSerializer
    one = "count"

    def rows(self, sites: list[Any]) -> QuerySet[BinCount]:
        rows = BinCount.objects.filter(site__in=sites)
        return rows.select_related("site", "place__site", "place__family", "movement")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> SeenCount:
        count = one_of(self.rows(list(actor.roles)), lock=lock, **path)
        return SeenCount(
            count=count,
            tallies=count.tallies.filter(keyed_at__isnull=False).order_by("keyed_at", "id"),
            sheet=sheet_of(count, actor.user),
            lots=None if count.is_blind else outcome_of(count),
        )


class Counts(CountView):
    @lists(
        Action.READ,
        "list_counts",
        "Counts of bins, newest first.",
        order=("-opened_at", "-id"),
        query=(
            SITE,
            queries.choice("state", "Only in this state.", COUNT_STATES),
            queries.text("place", "Only of the place of this code.", most=20),
            *queries.period("asked for"),
        ),
        orderings={"opened_at": ("opened_at", "id"), "place": ("place__code", "opened_at", "id")},
        wide=CountRowSerializer,
        answer=CountRowSerializer,
    )
    def get(self, call: Call) -> QuerySet[BinCount]:
        wanted = {"state": "state", "place": "place__code", "from": "opened_at__gte", "to": "opened_at__lt"}
        return self.rows(asked_sites(call.actor, call.query)).filter(**queries.given(call.query, wanted))

    @creates(
        Action.COUNT,
        "open_count",
        "Ask for a bin to be counted; one that is under count keeps the count that it has.",
        body=OpenCountSerializer,
        example={"site": "north", "place": "B07", "why": "A shim too few in the drawer."},
    )
    def post(self, call: Call) -> BinCount:
        site = site_of(call.actor, call.body.get("site"))
        call.actor.must(Action.COUNT, site)
        (count,) = open_counts(
            site=site,
            actor=call.actor,
            at=call.at,
            places=[_place(site, call.body["place"])],
            why=call.body.get("why", ""),
        )
        return count


class OneCount(CountView):
    @shows(Action.READ, "count", "One count, with its figures once they are settled.")
    def get(self, call: Call, **path: Any) -> SeenCount:
        return self.find(call.actor, **path)


class BeginCount(CountView):
    @acts(
        Action.COUNT,
        "begin_count",
        "Begin to count: answers the sheet, which names the lots and not how many. Again: count from now.",
    )
    def post(self, call: Call, seen: SeenCount) -> None:
        begin_count(count=seen.count, actor=call.actor, at=call.at)


class KeyCount(CountView):
    @acts(
        Action.COUNT,
        "key_count",
        "Key in what is there. It agrees, or somebody else counts it again, or two have found it to differ.",
        body=KeyCountSerializer,
        example={
            "found": [
                {
                    "family": "d29",
                    "thickness": {"value": "2.650", "unit": "mm"},
                    "condition": "new",
                    "quantity": 4,
                }
            ]
        },
    )
    def post(self, call: Call, seen: SeenCount) -> None:
        lots = call.body["found"]
        families = families_of((f"/found/{index}/family", lot["family"]) for index, lot in enumerate(lots))
        found = [Found(**lot | {"family": families[lot["family"]]}) for lot in lots]
        key_count(count=seen.count, actor=call.actor, at=call.at, found=found)


class ApproveCount(CountView):
    @acts(
        Action.APPROVE_COUNT,
        "approve_count",
        "Agree, as a manager, that a difference above the set value is posted.",
        body=CountNoteSerializer,
        example={},
    )
    def post(self, call: Call, seen: SeenCount) -> None:
        approve_count(count=seen.count, actor=call.actor, at=call.at, note=call.body.get("note", ""))


class PostCount(CountView):
    @acts(
        Action.POST_COUNT,
        "post_count",
        "Bring the books in line with what two persons counted.",
        body=CountNoteSerializer,
        example={"note": "Swept up with the grit."},
    )
    def post(self, call: Call, seen: SeenCount) -> None:
        # The lots that are in the way are not of this body; the words name them.
        with as_sent({f"/lots/{index}": "" for index in range(MOST_LOTS)}):
            post_count(count=seen.count, actor=call.actor, at=call.at, note=call.body.get("note", ""))


class RejectCount(CountView):
    @acts(
        Action.POST_COUNT,
        "reject_count",
        "Do not post a difference, and say why; the books stay as they are.",
        body=RejectCountSerializer,
        example={"note": "Both counted the wrong drawer.", "count_anew": True},
    )
    def post(self, call: Call, seen: SeenCount) -> None:
        reject_count(
            count=seen.count,
            actor=call.actor,
            at=call.at,
            note=call.body["note"],
            count_anew=call.body.get("count_anew", False),
        )


class CancelCount(CountView):
    @acts(
        Action.POST_COUNT,
        "cancel_count",
        "Call off a count that is not finished.",
        body=CountNoteSerializer,
        example={"note": "The drawer is locked."},
    )
    def post(self, call: Call, seen: SeenCount) -> None:
        cancel_count(count=seen.count, actor=call.actor, at=call.at, note=call.body.get("note", ""))


_moment = serializers.DateTimeField().to_representation


def _place(site: Site, code: str) -> Place:
    found = countable(site).filter(code=code).first()
    if found is None:
        words = f"there is nothing of the code {code} that is counted at {site.name}"
        raise Invalid(f"Nothing was opened: {words}.", errors=[FieldError("/place", words)])
    return found
