"""Parcels of shims between sites: sent, on their way, taken in, called back, written off."""

from typing import Any

from django.db.models import Prefetch, Q, QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Flag, Identity, LengthField, Several, Text, Whole, Word
from api.floor import CONFIRM
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, bins_of, families_of, not_found, one_of, places_of, site_of
from api.movements import MOST_LINES, MOST_QUANTITY
from api.pointers import as_sent
from api.stock import SITE
from api.views import ApiView, Call
from api.words import CONDITIONS, REASONS, TRANSFER_STATES
from inventory.compute.lengths import plausible_shim
from inventory.models import Movement, Transfer, TransferMovement
from inventory.selectors.transfers import other_sites
from inventory.services.shim_lines import Shims
from inventory.services.transfers import (
    SENT_FROM,
    arrive_shims,
    recall_transfer,
    send_shims,
    take_back_arrival,
    write_off_transfer,
)
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.models import Site
from shop.roles import Action


class TransferLineSerializer(serializers.Serializer):
    """What neither arrived, came back nor was written off is still in transit."""

    position = serializers.IntegerField()
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    condition = serializers.ChoiceField(choices=CONDITIONS)
    quantity = serializers.IntegerField()
    arrived = serializers.IntegerField()
    came_back = serializers.IntegerField()
    written_off = serializers.IntegerField()
    in_transit = serializers.IntegerField()


class TransferMovementSerializer(serializers.Serializer):
    """A movement of the parcel in the books of a site that the credential sees."""

    id = serializers.UUIDField(source="movement.uid")
    site = serializers.CharField(source="movement.site.code")
    reason = serializers.ChoiceField(choices=REASONS, source="movement.reason")
    at = serializers.DateTimeField(source="movement.at")


class TransferSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    number = serializers.IntegerField(help_text="Of the sending site's own count.")
    source = serializers.CharField(source="source.code")
    target = serializers.CharField(source="target.code")
    state = serializers.ChoiceField(choices=TRANSFER_STATES)
    sent_at = serializers.DateTimeField()
    sent_by = serializers.CharField()
    closed_at = serializers.DateTimeField(allow_null=True)
    note = serializers.CharField(allow_blank=True)
    lines = TransferLineSerializer(many=True, source="lines.all")
    movements = TransferMovementSerializer(many=True, source="seen_movements")


class SentLineSerializer(Body):
    place = Text(most=20, help_text="Where they are: a bin, or receiving.")
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    condition = Word(choices=CONDITIONS)
    quantity = Whole(least=1, most=MOST_QUANTITY)


class SendShimsSerializer(Body):
    source = Text(most=20, required=False, help_text="The site that sends.")
    target = Text(most=20, help_text="The site that they go to; see /transfer-targets.")
    lines = Several(child=SentLineSerializer(), most=MOST_LINES)
    note = Text(most=400, required=False)


class ArrivedLineSerializer(Body):
    position = Whole(least=0, most=MOST_LINES)
    quantity = Whole(least=0, most=MOST_QUANTITY)
    bin = Text(most=20, required=False, help_text="Left out: into receiving.")


class ArriveShimsSerializer(Body):
    """Left out: everything that is in transit came. A line that is not named: nothing of it did."""

    lines = Several(child=ArrivedLineSerializer(), most=MOST_LINES, required=False)
    note = Text(most=400, required=False)
    confirm = Flag(required=False, help_text=CONFIRM)


class RecallSerializer(Body):
    note = Text(most=400, required=False)


class WriteOffSerializer(Body):
    note = Text(most=400, help_text="Why.")


class TakeBackSerializer(Body):
    movement = Identity(help_text="Of the arrival, of the calling back or of the write-off.")
    note = Text(most=400, help_text="Why.")


class TransferView(ApiView):
    """Both sites see the parcel, and each only what stands in its own books of it."""

    answer = TransferSerializer
    one = "transfer"

    def rows(self, sites: list[Any], seen: list[Any]) -> QuerySet[Transfer]:
        mine = TransferMovement.objects.filter(movement__site__in=seen)
        return (
            Transfer.objects.filter(Q(source__in=sites) | Q(target__in=sites))
            .select_related("source", "target")
            .prefetch_related(
                "lines__family",
                Prefetch(
                    "movements",
                    queryset=mine.select_related("movement__site").order_by("movement"),
                    to_attr="seen_movements",
                ),
            )
        )

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Transfer:
        return one_of(self.rows(list(actor.roles), list(actor.roles)), lock=lock, **path)


class Transfers(TransferView):
    @lists(
        Action.READ,
        "list_transfers",
        "Parcels from and to a site, newest first.",
        order=("-sent_at", "-id"),
        query=(
            SITE,
            queries.choice("state", "Only in this state.", TRANSFER_STATES),
            queries.choice("direction", "Only those that come to, or go from, the sites.", ("in", "out")),
            *queries.period("sent"),
        ),
        orderings={"sent_at": ("sent_at", "id")},
        wide=TransferSerializer,
    )
    def get(self, call: Call) -> QuerySet[Transfer]:
        query = call.query
        sites = asked_sites(call.actor, query)
        rows = self.rows(sites, list(call.actor.roles))
        if "direction" in query:
            rows = (
                rows.filter(target__in=sites) if query["direction"] == "in" else rows.filter(source__in=sites)
            )
        wanted = {"state": "state", "from": "sent_at__gte", "to": "sent_at__lt"}
        return rows.filter(**queries.given(query, wanted))

    @creates(
        Action.TRANSFER,
        "send_shims",
        "Send shims to another site; until they are taken in there they are in transit.",
        body=SendShimsSerializer,
        example={
            "source": "north",
            "target": "quay",
            "lines": [
                {
                    "place": "B07",
                    "family": "d29",
                    "thickness": {"value": "2.650", "unit": "mm"},
                    "condition": "new",
                    "quantity": 2,
                }
            ],
        },
    )
    def post(self, call: Call) -> Transfer:
        body = call.body
        site = site_of(call.actor, body.get("source"), "/source")
        call.actor.must(Action.TRANSFER, site)
        return send_shims(
            site=site,
            target=_target(site, body["target"]),
            actor=call.actor,
            at=call.at,
            shims=lots_of(site, body["lines"], SENT_FROM),
            note=body.get("note", ""),
        )


class OneTransfer(TransferView):
    @shows(Action.READ, "transfer", "One parcel with its lines.")
    def get(self, call: Call, **path: Any) -> Transfer:
        return self.find(call.actor, **path)


class ArriveShims(TransferView):
    @acts(
        Action.TRANSFER,
        "arrive_shims",
        "Take in what came of a parcel; what is missing stays in transit.",
        body=ArriveShimsSerializer,
        example={"lines": [{"position": 0, "quantity": 1, "bin": "B07"}]},
    )
    def post(self, call: Call, transfer: Transfer) -> Transfer:
        body = call.body
        call.actor.must(Action.TRANSFER, transfer.target)
        lines = body.get("lines")
        _refuse_twice(lines or [])
        named = [(f"/lines/{i}/bin", line["bin"]) for i, line in enumerate(lines or []) if "bin" in line]
        bins = bins_of(transfer.target, named)
        fields = {"/arrived": "/lines"}
        for index, line in enumerate(lines or []):
            fields[f"/arrived/{line['position']}"] = f"/lines/{index}/quantity"
            fields[f"/places/{line['position']}"] = f"/lines/{index}/bin"
        with as_sent(fields):
            return arrive_shims(
                transfer=transfer,
                actor=call.actor,
                at=call.at,
                arrived=None if lines is None else {line["position"]: line["quantity"] for line in lines},
                places={line["position"]: bins[line["bin"]] for line in lines or [] if "bin" in line},
                note=body.get("note", ""),
                confirm=body.get("confirm", False),
            )


class RecallTransfer(TransferView):
    @acts(
        Action.TRANSFER,
        "recall_transfer",
        "What is still in transit came back to the sender, into the bins that it was taken from.",
        body=RecallSerializer,
        example={"note": "The driver could not deliver."},
    )
    def post(self, call: Call, transfer: Transfer) -> Transfer:
        note = call.body.get("note", "")
        return recall_transfer(transfer=transfer, actor=call.actor, at=call.at, note=note)


class WriteOffTransfer(TransferView):
    @acts(
        Action.WRITE_OFF,
        "write_off_transfer",
        "What is still in transit is lost: a count difference in the sender's books.",
        body=WriteOffSerializer,
        example={"note": "Lost by the carrier."},
    )
    def post(self, call: Call, transfer: Transfer) -> Transfer:
        note = call.body["note"]
        return write_off_transfer(transfer=transfer, actor=call.actor, at=call.at, note=note)


class TakeBackArrival(TransferView):
    @acts(
        Action.REVERSE,
        "take_back_arrival",
        "Undo a wrong arrival, a calling back or a write-off: its shims are in transit again.",
        body=TakeBackSerializer,
        example={"movement": "0190b0a0-0000-7000-8000-000000000000", "note": "Counted wrong."},
    )
    def post(self, call: Call, transfer: Transfer) -> Transfer:
        call.actor.must_somewhere(Action.REVERSE)
        mine = Movement.objects.filter(site__in=list(call.actor.roles), of_transfer__transfer=transfer)
        movement = mine.select_related("site").filter(uid=call.body["movement"]).first()
        if movement is None:
            raise not_found("/movement")
        return take_back_arrival(
            transfer=transfer, movement=movement, actor=call.actor, at=call.at, note=call.body["note"]
        )


class TargetSerializer(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()


class TargetsSerializer(serializers.Serializer):
    site = serializers.CharField()
    targets = TargetSerializer(many=True)


class TransferTargets(ApiView):
    answer = TargetsSerializer

    @shows(
        Action.TRANSFER,
        "transfer_targets",
        "The other sites of the shop, where shims can be sent to: their codes and names and nothing else.",
        query=(SITE,),
    )
    def get(self, call: Call) -> dict[str, Any]:
        site = site_of(call.actor, call.query.get("site"), "?site")
        call.actor.must(Action.TRANSFER, site)
        return {"site": site.code, "targets": other_sites(site)}


def lots_of(site: Site, lines: list[dict[str, Any]], kinds: Any) -> list[Shims]:
    """The lines of a body that name the place where the shims are; families and places found."""
    families = families_of((f"/lines/{i}/family", line["family"]) for i, line in enumerate(lines))
    places = places_of(site, [(f"/lines/{i}/place", line["place"]) for i, line in enumerate(lines)], kinds)
    return [
        Shims(
            family=families[line["family"]],
            thickness_nm=line["thickness"].nm,
            condition=line["condition"],
            quantity=line["quantity"],
            place=places[line["place"]],
        )
        for line in lines
    ]


def _target(site: Site, code: str) -> Site:
    if code == site.code:
        return site  # the service says why not
    found = other_sites(site).filter(code=code).first()
    if found is None:
        raise not_found("/target")
    return found


def _refuse_twice(lines: list[dict[str, Any]]) -> None:
    seen: set[int] = set()
    errors = []
    for index, line in enumerate(lines):
        if line["position"] in seen:
            errors.append(FieldError(f"/lines/{index}/position", "is named twice; name it once"))
        seen.add(line["position"])
    if errors:
        raise Invalid("Nothing was booked: a line is named twice.", errors=errors)
