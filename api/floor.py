"""The acts of the floor on stock. Each answers the movement that it wrote."""

from typing import Any

from api.fields import Body, Flag, Identity, Several, Text
from api.kinds import creates
from api.lookups import bins_of, inspection_of, site_of
from api.movements import MOST_LINES, MovementView, ShimsMaybeInBinSerializer, ShimsSerializer, shims_of
from api.views import Call
from inventory.models import Movement, Place
from inventory.services.floor import (
    count_in,
    move_shims,
    put_away,
    receive_shims,
    return_to_bin,
    scrap_shims,
)
from shop.errors import FieldError, Invalid
from shop.models import Site
from shop.roles import Action

_LINE = {
    "family": "d29",
    "thickness": {"value": "2.650", "unit": "mm"},
    "condition": "new",
    "quantity": 4,
    "bin": "B07",
}
CONFIRM = "true: also into bins that are kept for another family, which is refused otherwise."
CONFIRM_KEPT = (
    "true: also into bins that are kept for another family, and also shims of the bench for which scrap was "
    "proposed. Both are refused otherwise."
)
INSPECTION = (
    "The inspection that one of them was taken from; 409 when its shim was taken before. Left out: what "
    "leaves the bench takes inspections that proposed just this, the oldest first, and others when no shim "
    "is left for them."
)
EXAMPLE = {"site": "north", "lines": [_LINE]}


class SiteAndNote(Body):
    site = Text(most=20, required=False)
    note = Text(most=400, required=False)


class IntoBinsSerializer(SiteAndNote):
    confirm = Flag(required=False, help_text=CONFIRM)
    lines = Several(child=ShimsSerializer(), most=MOST_LINES)


class ReturnToBinSerializer(IntoBinsSerializer):
    confirm = Flag(required=False, help_text=CONFIRM_KEPT)
    inspection = Identity(required=False, help_text=INSPECTION)


class ReceiveShimsSerializer(SiteAndNote):
    document = Text(most=80, required=False, help_text="The delivery note.")
    confirm = Flag(required=False, help_text=CONFIRM)
    lines = Several(
        child=ShimsMaybeInBinSerializer(), most=MOST_LINES, help_text="Without a bin: into receiving."
    )


class MoveShimsSerializer(IntoBinsSerializer):
    source = Text(most=20, help_text="The bin that they are in; each line names the one they go to.")


class ScrappedSerializer(ShimsSerializer):
    bin = None


class ScrapShimsSerializer(Body):
    site = Text(most=20, required=False)
    source = Text(most=20, help_text="Where they are: a bin, or inspection, or receiving.")
    note = Text(most=400, help_text="Why.")
    inspection = Identity(required=False, help_text=INSPECTION)
    lines = Several(child=ScrappedSerializer(), most=MOST_LINES)


class CountInSerializer(Body):
    site = Text(most=20, required=False)
    note = Text(most=400, help_text="Who counted, and why nothing explains it.")
    confirm = Flag(required=False, help_text=CONFIRM)
    lines = Several(child=ShimsSerializer(), most=MOST_LINES)


class ReceiveShims(MovementView):
    @creates(
        Action.RECEIVE, "receive_shims", "Take a delivery in.", body=ReceiveShimsSerializer, example=EXAMPLE
    )
    def post(self, call: Call) -> Movement:
        site = site_of(call.actor, call.body.get("site"))
        return receive_shims(
            site=site,
            actor=call.actor,
            at=call.at,
            shims=shims_of(site, call.body["lines"]),
            document=call.body.get("document", ""),
            note=call.body.get("note", ""),
            confirm=call.body.get("confirm", False),
        )


class PutAway(MovementView):
    @creates(
        Action.MOVE_STOCK,
        "put_away",
        "Bring shims from receiving to bins.",
        body=IntoBinsSerializer,
        example=EXAMPLE,
    )
    def post(self, call: Call) -> Movement:
        return put_away(**_site_and_shims(call), **_note_and_confirm(call))


class MoveShims(MovementView):
    @creates(
        Action.MOVE_STOCK,
        "move_shims",
        "Move shims from one bin to others.",
        body=MoveShimsSerializer,
        example={**EXAMPLE, "source": "B08"},
    )
    def post(self, call: Call) -> Movement:
        named = _site_and_shims(call)
        source = bins_of(named["site"], [("/source", call.body["source"])])[call.body["source"]]
        return move_shims(**named, source=source, **_note_and_confirm(call))


class ReturnToBin(MovementView):
    @creates(
        Action.INSPECT,
        "return_to_bin",
        "Bring inspected shims back to bins.",
        body=ReturnToBinSerializer,
        example={"site": "north", "lines": [{**_LINE, "condition": "used", "quantity": 1}]},
    )
    def post(self, call: Call) -> Movement:
        inspected = inspection_of(call.actor, call.body.get("inspection"))
        return return_to_bin(**_site_and_shims(call), **_note_and_confirm(call), inspected=inspected)


class ScrapShims(MovementView):
    @creates(
        Action.SCRAP,
        "scrap_shims",
        "Throw shims away, and say why.",
        body=ScrapShimsSerializer,
        example={
            "site": "north",
            "source": "inspection",
            "note": "Pitted face.",
            "lines": [{name: value for name, value in _LINE.items() if name != "bin"}],
        },
    )
    def post(self, call: Call) -> Movement:
        named = _site_and_shims(call)
        code = call.body["source"]
        source = Place.objects.filter(site=named["site"], code=code, retired_at=None).first()
        if source is None:
            raise Invalid(
                f"There is no place {code} here.", errors=[FieldError("/source", "there is no such place")]
            )
        inspected = inspection_of(call.actor, call.body.get("inspection"))
        return scrap_shims(**named, source=source, note=call.body["note"], inspected=inspected)


class CountIn(MovementView):
    @creates(
        Action.MOVE_STOCK,
        "count_in",
        "Book shims that were counted in their bins and that no movement explains.",
        body=CountInSerializer,
        example={**EXAMPLE, "note": "Opening count."},
    )
    def post(self, call: Call) -> Movement:
        return count_in(**_site_and_shims(call), **_note_and_confirm(call))


def _site_and_shims(call: Call) -> dict[str, Any]:
    site: Site = site_of(call.actor, call.body.get("site"))
    shims = shims_of(site, call.body["lines"])
    return {"site": site, "actor": call.actor, "at": call.at, "shims": shims}


def _note_and_confirm(call: Call) -> dict[str, Any]:
    return {"note": call.body.get("note", ""), "confirm": call.body.get("confirm", False)}
