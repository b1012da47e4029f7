"""The care of bins: relocated, merged, split, out of use and back."""

from api.bins import BinView, PositionSerializer
from api.fields import Body, Flag, LengthField, Text, Whole
from api.kinds import acts
from api.lookups import bins_of, family_of
from api.views import Call
from inventory.compute.lengths import plausible_shim
from inventory.models import Place
from inventory.services.bin_content import merge_bins, split_bin
from inventory.services.bins import relocate_bin, restore_bin, retire_bin
from shop.roles import Action


class BinNoteSerializer(Body):
    note = Text(most=300, required=False)


class MergeBinsSerializer(BinNoteSerializer):
    target = Text(most=20, help_text="The bin that everything goes to.")
    widen = Flag(required=False, help_text="true: that bin is from now on kept for all that comes together.")


class SplitBinSerializer(PositionSerializer):
    code = Text(most=20, help_text="Of the new bin.")
    family = Text(most=20)
    size = LengthField(plausible=plausible_shim, help_text="What is of this grade goes to the new bin.")
    capacity = Whole(least=1, most=100_000, required=False)
    note = Text(most=300, required=False)


class RelocateBin(BinView):
    @acts(
        Action.EDIT_BINS,
        "relocate_bin",
        "Give a bin another position; the bin that is there takes its place in turn.",
        body=PositionSerializer,
        example={"cabinet": "B", "row": 2, "column": 7},
    )
    def post(self, call: Call, place: Place) -> Place:
        return relocate_bin(place=place, actor=call.actor, at=call.at, **call.body, version=place.version)


class MergeBins(BinView):
    @acts(
        Action.EDIT_BINS,
        "merge_bins",
        "Bring everything in this bin into another, with the holds on it, and retire this one.",
        body=MergeBinsSerializer,
        example={"target": "B08", "note": "Two half empty drawers."},
    )
    def post(self, call: Call, place: Place) -> Place:
        code = call.body["target"]
        target = bins_of(place.site, [("/target", code)])[code]
        return merge_bins(
            source=place,
            target=target,
            actor=call.actor,
            at=call.at,
            note=call.body.get("note", ""),
            widen=call.body.get("widen", False),
            version=place.version,
        )


class SplitBin(BinView):
    @acts(
        Action.EDIT_BINS,
        "split_bin",
        "Make a new bin for one size and move what is of that grade to it, with the holds on it.",
        body=SplitBinSerializer,
        example={
            "code": "B09",
            "cabinet": "B",
            "row": 1,
            "column": 9,
            "family": "d29",
            "size": {"value": "2.650", "unit": "mm"},
        },
    )
    def post(self, call: Call, place: Place) -> Place:
        body = call.body
        return split_bin(
            source=place,
            actor=call.actor,
            at=call.at,
            code=body["code"],
            cabinet=body["cabinet"],
            row=body["row"],
            column=body["column"],
            family=family_of(body["family"]),
            size_nm=body["size"].nm,
            capacity=body.get("capacity"),
            note=body.get("note", ""),
            version=place.version,
        )


class RetireBin(BinView):
    @acts(
        Action.EDIT_BINS,
        "retire_bin",
        "Take an empty bin out of use; its code stays taken and its history readable.",
        body=BinNoteSerializer,
        example={"note": "The drawer is broken."},
    )
    def post(self, call: Call, place: Place) -> Place:
        return retire_bin(
            place=place,
            actor=call.actor,
            at=call.at,
            note=call.body.get("note", ""),
            version=place.version,
        )


class RestoreBin(BinView):
    @acts(
        Action.EDIT_BINS,
        "restore_bin",
        "Bring a retired bin back into use; where another has its position by now, without one.",
        body=BinNoteSerializer,
        example={"note": "Repaired."},
    )
    def post(self, call: Call, place: Place) -> Place:
        return restore_bin(
            place=place,
            actor=call.actor,
            at=call.at,
            note=call.body.get("note", ""),
            version=place.version,
        )
