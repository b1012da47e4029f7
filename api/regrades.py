"""Regrading: shims that are not what the books say."""

from api.fields import Body, Flag, LengthField, Text, Whole, Word
from api.floor import CONFIRM_KEPT
from api.kinds import creates
from api.lookups import bins_of, family_of, places_of, site_of
from api.movements import MOST_QUANTITY, MovementView
from api.views import Call
from api.words import CONDITIONS, PLANNABLE_CONDITIONS
from inventory.compute.lengths import plausible_shim
from inventory.models import Movement
from inventory.services.regrading import REGRADED_IN, regrade_shims
from inventory.services.shim_lines import Shims
from shop.roles import Action


class FoundInPlaceSerializer(Body):
    """As the books have them."""

    place = Text(most=20, help_text="A bin, or inspection, or receiving.")
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    condition = Word(choices=CONDITIONS)
    quantity = Whole(least=1, most=MOST_QUANTITY)


class RegradeSerializer(Body):
    site = Text(most=20, required=False)
    found = FoundInPlaceSerializer()
    measured = LengthField(plausible=plausible_shim, help_text="By the micrometer; of new shims their size.")
    condition = Word(choices=PLANNABLE_CONDITIONS, required=False, help_text="What they are; left out: used.")
    family = Text(most=20, required=False, help_text="What they are really of, where that is another.")
    target = Text(most=20, required=False, help_text="The bin that they go to; left out: where they are.")
    note = Text(most=400, help_text="Why.")
    confirm = Flag(required=False, help_text=CONFIRM_KEPT)


class Regrades(MovementView):
    @creates(
        Action.REGRADE,
        "regrade_shims",
        "Book shims as what they turned out to be: another thickness, condition or family.",
        body=RegradeSerializer,
        example={
            "site": "north",
            "found": {
                "place": "B07",
                "family": "d29",
                "thickness": {"value": "2.650", "unit": "mm"},
                "condition": "new",
                "quantity": 1,
            },
            "measured": {"value": "2.641", "unit": "mm"},
            "note": "Worn: it had been fitted.",
        },
    )
    def post(self, call: Call) -> Movement:
        body = call.body
        found = body["found"]
        site = site_of(call.actor, body.get("site"))
        place = places_of(site, [("/found/place", found["place"])], REGRADED_IN)[found["place"]]
        target = body.get("target")
        return regrade_shims(
            site=site,
            actor=call.actor,
            at=call.at,
            found=Shims(
                family=family_of(found["family"], "/found/family"),
                thickness_nm=found["thickness"].nm,
                condition=found["condition"],
                quantity=found["quantity"],
                place=place,
            ),
            measured=body["measured"],
            note=body["note"],
            condition=body.get("condition", "used"),
            family=family_of(body["family"]) if "family" in body else None,
            target=bins_of(site, [("/target", target)])[target] if target else None,
            confirm=body.get("confirm", False),
        )
