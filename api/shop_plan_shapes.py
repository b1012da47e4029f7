"""What a plan for a whole shop looks like when it is sent, and what asking for one takes."""

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from api.fields import Body, Flag, LengthField, Text
from api.insight_shapes import CostSerializer, render_cost
from api.plan_shapes import ClearanceAfterSerializer
from api.shapes import sent
from api.words import CONDITIONS, SHOP_ACTIONS, SHOP_PLAN_STATES, VERDICTS
from inventory.compute.lengths import from_nm
from jobs.compute.shopplan import Proof
from jobs.models import ShopPlan
from jobs.selectors.costs import shop_plan_cost


class PlanShopSerializer(Body):
    """`move_accepted`: jobs whose plan was accepted are planned anew too; for managers."""

    site = Text(most=20, required=False)
    move_accepted = Flag(required=False)


class ShopPlanRowSerializer(serializers.Serializer):
    """A plan in a list."""

    id = serializers.UUIDField()
    number = serializers.IntegerField()
    site = serializers.CharField(source="site.code")
    state = serializers.ChoiceField(choices=SHOP_PLAN_STATES)
    move_accepted = serializers.BooleanField()
    task = serializers.UUIDField(source="task_id", allow_null=True)
    stale_because = serializers.CharField(allow_blank=True)
    created_at = serializers.DateTimeField()
    created_by = serializers.CharField()
    accepted_at = serializers.DateTimeField(allow_null=True)
    accepted_by = serializers.CharField(allow_blank=True)


class ShopScoreSerializer(serializers.Serializer):
    """What plans are ranked by, smaller first, compared from the top."""

    waiting = serializers.IntegerField(help_text="Weights of the jobs that cannot be completed now.")
    unresolved = serializers.IntegerField()
    bought = serializers.IntegerField()
    awaited = serializers.IntegerField(help_text="Shims taken of what is on order.")
    not_guaranteed = serializers.IntegerField()
    opened = serializers.IntegerField()
    stock_cost = serializers.IntegerField()
    deviation_nm = serializers.IntegerField()


class ProofSerializer(serializers.Serializer):
    """`unproven`: null when no plan is better; else the first figure of which less is not ruled out."""

    unproven = serializers.CharField(allow_null=True)
    value = serializers.IntegerField()
    bound = serializers.IntegerField(help_text="What that figure is at the very least.")
    gap = serializers.IntegerField(help_text="value less bound; 0 where everything is proven.")


class ShopSourceSerializer(serializers.Serializer):
    """One of these; with `job` the valve's or tray's own job."""

    valve = serializers.CharField(required=False)
    tray = serializers.BooleanField(required=False)
    job = serializers.UUIDField(required=False)
    bin = serializers.CharField(required=False)
    held = serializers.BooleanField(required=False, help_text="The job's accepted plan holds it already.")
    on_order = serializers.BooleanField(required=False)
    catalogue = serializers.BooleanField(required=False)


class ShopShimSerializer(serializers.Serializer):
    thickness = LengthField()
    condition = serializers.ChoiceField(choices=CONDITIONS, allow_null=True)

    def get_fields(self) -> dict[str, serializers.Field]:
        # A field cannot be an attribute named `from`.
        return super().get_fields() | {"from": ShopSourceSerializer(allow_null=True)}


class ShopChoiceSerializer(serializers.Serializer):
    label = serializers.CharField()
    verdict = serializers.ChoiceField(choices=VERDICTS)
    action = serializers.ChoiceField(choices=SHOP_ACTIONS)
    shim = ShopShimSerializer(allow_null=True)
    clearance_after = ClearanceAfterSerializer(allow_null=True)
    guaranteed = serializers.BooleanField(allow_null=True)
    accepted = serializers.BooleanField(help_text="An accepted plan has settled it.")
    why = serializers.CharField()
    why_not = serializers.CharField(allow_blank=True, help_text="Why not the nearer shim.")


class ShopPlanJobSerializer(serializers.Serializer):
    job = serializers.UUIDField()
    completed = serializers.BooleanField(help_text="Can leave with what is in the building.")
    accepted = serializers.BooleanField(help_text="It has an accepted plan, which this one leaves alone.")
    ready = serializers.DateTimeField(allow_null=True, help_text="When the last shim on order is due.")
    why = serializers.CharField()
    valves = ShopChoiceSerializer(many=True)


class ShopHandOverSerializer(serializers.Serializer):
    from_job = serializers.UUIDField()
    from_valve = serializers.CharField(allow_null=True, help_text="null: out of its tray.")
    to_job = serializers.UUIDField()
    to_valve = serializers.CharField()
    thickness = LengthField()
    say = serializers.CharField()


class ShopPurchaseSerializer(serializers.Serializer):
    family = serializers.CharField()
    thickness = LengthField()
    quantity = serializers.IntegerField()


class OneMoreSerializer(serializers.Serializer):
    family = serializers.CharField()
    thickness = LengthField()
    condition = serializers.ChoiceField(choices=CONDITIONS)
    completes = serializers.ListField(child=serializers.UUIDField())
    say = serializers.CharField()


class NearestSerializer(serializers.Serializer):
    """What the rule "nearest shim first" comes to on the same shop."""

    completed = serializers.IntegerField()
    bought = serializers.IntegerField()


class LeftOutSerializer(serializers.Serializer):
    job = serializers.UUIDField()
    because = serializers.CharField()


class MadeSerializer(serializers.Serializer):
    """What the plan does."""

    score = ShopScoreSerializer()
    proof = ProofSerializer()
    cost = CostSerializer(help_text="Of all its engines together, at today's prices.")
    why = serializers.ListField(child=serializers.CharField())
    jobs = ShopPlanJobSerializer(many=True)
    hand_overs = ShopHandOverSerializer(many=True)
    to_buy = ShopPurchaseSerializer(many=True)
    nearest = NearestSerializer()
    one_more = OneMoreSerializer(many=True)
    left_out = LeftOutSerializer(many=True)


class ShopPlanSerializer(ShopPlanRowSerializer):
    """One plan for all open jobs of a site; `plan` is null until it is made."""

    plan = MadeSerializer(allow_null=True)


def render_shop_plan(plan: ShopPlan) -> dict[str, Any]:
    return {**sent(ShopPlanRowSerializer, plan), "plan": _made(plan) if plan.result else None}


def _made(plan: ShopPlan) -> dict[str, Any]:
    made = plan.result or {}
    return {
        "score": made["score"],
        "proof": {**made["proof"], "gap": Proof(**made["proof"]).gap},
        "cost": render_cost(shop_plan_cost(plan)),
        "why": made["why"],
        "jobs": [_job(entry) for entry in made["jobs"]],
        "hand_overs": [
            {
                "from_job": entry["from_job"],
                "from_valve": entry["from_label"],
                "to_job": entry["to_job"],
                "to_valve": entry["to_label"],
                "thickness": _mm(entry["thickness_nm"]),
                "say": entry["say"],
            }
            for entry in made["hand_overs"]
        ],
        "to_buy": [
            {
                "family": entry["family"],
                "thickness": _mm(entry["thickness_nm"]),
                "quantity": entry["quantity"],
            }
            for entry in made["to_buy"]
        ],
        "nearest": {
            "completed": made["nearest"]["completed"],
            "bought": made["nearest"]["score"]["bought"],
        },
        "one_more": [
            {
                "family": entry["family"],
                "thickness": _mm(entry["thickness_nm"]),
                "condition": entry["condition"],
                "completes": entry["completes"],
                "say": entry["say"],
            }
            for entry in made["one_more"]
        ],
        "left_out": plan.places["left_out"],
    }


def _job(entry: Mapping[str, Any]) -> dict[str, Any]:
    plain = {name: entry[name] for name in ("job", "completed", "accepted", "why")}
    ready = entry["ready"].replace("+00:00", "Z") if entry["ready"] else None
    return {**plain, "ready": ready, "valves": [_choice(choice) for choice in entry["choices"]]}


def _choice(choice: Mapping[str, Any]) -> dict[str, Any]:
    after = None
    if choice["called_nm"] is not None:
        after = {name: _mm(choice[f"{name}_nm"]) for name in ("low", "called", "high")}
    return {
        **{name: choice[name] for name in ("label", "verdict", "action", "guaranteed", "why", "why_not")},
        "shim": _shim(choice),
        "clearance_after": after,
        "accepted": choice["pinned"],
    }


def _shim(choice: Mapping[str, Any]) -> dict[str, Any] | None:
    if choice["thickness_nm"] is None:
        return None
    sources: dict[str, dict[str, Any]] = {
        "swap": {"valve": choice["from_label"], "job": choice["from_job"]},
        "tray": {"tray": True, "job": choice["from_job"]},
        "stock": {"bin": choice["bin"]} if choice["bin"] else {"held": True},
        "order": {"on_order": True},
        "buy": {"catalogue": True},
    }
    return {
        "thickness": _mm(choice["thickness_nm"]),
        "condition": choice["condition"],
        "from": sources.get(choice["action"]),
    }


def _mm(nm: int) -> dict[str, str]:
    return from_nm(nm).as_json()
