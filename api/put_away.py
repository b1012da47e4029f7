"""Where shims should be put: proposals for all that waits, or for one thickness."""

from typing import Any

from rest_framework import serializers

from api import queries
from api.fields import LengthField
from api.kinds import shows
from api.lookups import family_of, site_of
from api.movements import MOST_LINES, MOST_QUANTITY
from api.stock import SITE
from api.views import ApiView, Call
from api.words import CONDITIONS
from inventory.compute.lengths import plausible_shim
from inventory.models import Condition, PlaceKind
from inventory.selectors.putaway import Proposed, proposed_for, to_put_away
from inventory.selectors.stock import content
from shop.errors import FieldError, Invalid
from shop.roles import Action

FROM = ("receiving", "inspection")


class ProposedBinSerializer(serializers.Serializer):
    bin = serializers.CharField(source="place.code")
    quantity = serializers.IntegerField()
    why = serializers.CharField()


class WaitingSerializer(serializers.Serializer):
    """Waiting shims, or the thickness that was asked for, with the bins they should go to, the best first."""

    family = serializers.CharField()
    thickness = LengthField()
    condition = serializers.ChoiceField(choices=CONDITIONS, allow_null=True)
    quantity = serializers.IntegerField()
    bins = ProposedBinSerializer(many=True)
    left = serializers.IntegerField(help_text="So many find no room in any bin.")


class UnmeasuredSerializer(serializers.Serializer):
    family = serializers.CharField()
    thickness = LengthField(help_text="As it is marked, or said to be.")
    quantity = serializers.IntegerField()


class ProposalsSerializer(serializers.Serializer):
    site = serializers.CharField()
    proposals = WaitingSerializer(many=True)
    more = serializers.IntegerField(help_text="So many kinds of shim wait besides.")
    unmeasured = UnmeasuredSerializer(many=True, help_text="They go nowhere before they are inspected.")


class PutAwayProposals(ApiView):
    answer = ProposalsSerializer

    @shows(
        Action.READ,
        "put_away_proposals",
        "Which bins the shims that wait should go to; with family and thickness, where those belong.",
        query=(
            SITE,
            queries.choice("from", "Where they wait; left out: receiving.", FROM),
            queries.text("family", "Where shims of this family and the thickness belong.", most=20),
            queries.length("thickness", "With its unit: 2.65mm.", plausible=plausible_shim),
            queries.whole("quantity", "How many of them; left out: 1.", least=1, most=MOST_QUANTITY),
        ),
    )
    def get(self, call: Call) -> dict[str, Any]:
        query = call.query
        site = site_of(call.actor, query.get("site"), "?site")
        if ("family" in query) != ("thickness" in query) or ("quantity" in query and "family" not in query):
            words = "are given together"
            raise Invalid(
                "Family and thickness are given together.", errors=[FieldError("?thickness", words)]
            )
        empty: dict[str, Any] = {"site": site.code, "more": 0, "unmeasured": []}
        if "family" in query:
            family, quantity = family_of(query["family"], "?family"), query.get("quantity", 1)
            found = proposed_for(site, family, query["thickness"], quantity)
            return {**empty, "proposals": [_row(family.code, query["thickness"], None, quantity, found)]}
        kind = PlaceKind(query.get("from", FROM[0]))
        waiting = to_put_away(site, kind)
        unmeasured = content(site, kind).filter(condition=Condition.UNMEASURED)
        return {
            **empty,
            "proposals": [
                _row(w.lot.family.code, w.lot.thickness_nm, w.lot.condition, w.lot.on_hand, w.proposed)
                for w in waiting[:MOST_LINES]
            ],
            "more": max(len(waiting) - MOST_LINES, 0),
            "unmeasured": [
                {"family": lot.family.code, "thickness": lot.thickness_nm, "quantity": lot.on_hand}
                for lot in unmeasured
            ],
        }


def _row(
    family: str, thickness_nm: int, condition: str | None, quantity: int, found: Proposed
) -> dict[str, Any]:
    return {
        "family": family,
        "thickness": thickness_nm,
        "condition": condition,
        "quantity": quantity,
        "bins": found.bins,
        "left": found.left,
    }
