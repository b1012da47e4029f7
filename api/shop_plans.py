"""Plans for a whole shop: asked for, looked at, accepted. They are made in the background."""

from typing import Any

from django.db.models import QuerySet

from api import queries
from api.background import TaskSerializer, task_of
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, one_of, site_of
from api.shop_plan_shapes import (
    PlanShopSerializer,
    ShopPlanRowSerializer,
    ShopPlanSerializer,
    render_shop_plan,
)
from api.stock import SITE
from api.views import ApiView, Call
from api.words import SHOP_PLAN_STATES
from jobs.models import ShopPlan
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.shop_planning import cancel_shop_plan, plan_shop
from shop.actor import Actor
from shop.models import Task
from shop.roles import Action


def rows_at(sites: list[Any]) -> QuerySet[ShopPlan]:
    return ShopPlan.objects.filter(site__in=sites).select_related("site")


class ShopPlanView(ApiView):
    answer = ShopPlanSerializer
    one = "shop-plan"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> ShopPlan:
        # Not locked here: accepting locks the plan's jobs before the plan.
        return one_of(rows_at(list(actor.roles)), lock=False, **path)

    def represent(self, thing: ShopPlan) -> dict[str, Any]:
        return render_shop_plan(thing)


class ShopPlans(ApiView):
    """What is made here is a task, which makes the plan."""

    answer = TaskSerializer
    one = "task"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Task:
        return task_of(actor, lock=lock, **path)

    @lists(
        Action.READ,
        "list_shop_plans",
        "Plans for a whole shop, newest first.",
        order=("-created_at", "-id"),
        answer=ShopPlanRowSerializer,
        orderings={"created_at": ("created_at", "id")},
        query=(
            SITE,
            queries.choice("state", "Only in this state.", SHOP_PLAN_STATES),
            *queries.period("what was asked for"),
        ),
        wide=ShopPlanRowSerializer,
    )
    def get(self, call: Call) -> QuerySet[ShopPlan]:
        wanted = {"state": "state", "from": "created_at__gte", "to": "created_at__lt"}
        rows = rows_at(asked_sites(call.actor, call.query)).defer("problem", "places", "result")
        return rows.filter(**queries.given(call.query, wanted))

    @creates(
        Action.PLAN,
        "plan_shop",
        "Have one plan made for all open jobs of a site. Its id is the task's result once it is done.",
        body=PlanShopSerializer,
        example={"site": "north"},
        later=True,
    )
    def post(self, call: Call) -> Task:
        body = call.body
        plan = plan_shop(
            site=site_of(call.actor, body.get("site")),
            actor=call.actor,
            at=call.at,
            move_accepted=body.get("move_accepted", False),
        )
        return Task.objects.get(pk=plan.task_id)


class OneShopPlan(ShopPlanView):
    @shows(
        Action.READ, "shop_plan", "One plan: who can leave, what moves between bays, what to buy, and why."
    )
    def get(self, call: Call, **path: Any) -> ShopPlan:
        return self.find(call.actor, **path)


class AcceptShopPlan(ShopPlanView):
    @acts(
        Action.HOLD,
        "accept_shop_plan",
        "Hold everything that the plan takes, or nothing; 409 plan-stale says what changed since.",
    )
    def post(self, call: Call, plan: ShopPlan) -> ShopPlan:
        return accept_shop_plan(plan=plan, actor=call.actor, at=call.at)


class CancelShopPlan(ShopPlanView):
    @acts(Action.PLAN, "cancel_shop_plan", "Stop making a plan.")
    def post(self, call: Call, plan: ShopPlan) -> ShopPlan:
        return cancel_shop_plan(plan=plan, actor=call.actor, at=call.at)
