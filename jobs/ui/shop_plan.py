"""The plan for the whole shop: have it made, look at it, accept it."""

from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from jobs.compute.shopplan import Proof
from jobs.compute.shopplan.explain import figure_words, gap_words
from jobs.models import ShopPlan
from jobs.selectors.costs import shop_plan_cost
from jobs.selectors.shop_plans import newest_shop_plan, shop_plan_of, shop_plan_sheet
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.shop_planning import cancel_shop_plan, plan_shop
from jobs.ui.ways import cost_words
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

RANKS = {
    "waiting": "engines that wait, each by its priority",
    "unresolved": "valves without a shim",
    "bought": "shims bought",
    "awaited": "shims on order taken",
    "not_guaranteed": "clearances not certain",
    "opened": "valves opened",
    "stock_cost": "stock used up: 2 for a new shim, 1 for a used or carried one",
    "deviation_nm": "distance from the aims",
}


class PlanShopForm(forms.Form):
    move_accepted = forms.BooleanField(required=False)


@page(see=Action.READ)
def shop_plan_page(
    request: PageRequest, site: Site, plan: UUID | None = None, refusal: ShopError | None = None
) -> HttpResponse:
    """The newest plan; `plan` is the one that a button was pressed for."""
    shown = newest_shop_plan(site) if plan is None else shop_plan_of(site, plan)
    sheet = None if shown is None else shop_plan_sheet(shown, at=timezone.now())
    context = {
        "sheet": sheet,
        "plan": shown,
        "making": shown is not None and shown.state == ShopPlan.State.MAKING,
        "ranks": _ranks(shown),
        **_cost(shown),
        "refusal": refusal,
    }
    return render(request, "jobs/shop_plan.html", context, status=refusal.status if refusal else 200)


@page(do=Action.PLAN, refused_on=shop_plan_page)
def plan_shop_button(request: PageRequest, site: Site) -> HttpResponse:
    form = PlanShopForm(request.POST)
    form.is_valid()
    plan = plan_shop(
        site=site,
        actor=request.actor,
        at=timezone.now(),
        move_accepted=form.cleaned_data.get("move_accepted", False),
    )
    return done(request, f"{plan} is being made.", "shop_plan", site.code)


@page(do=Action.PLAN, refused_on=shop_plan_page)
def cancel_shop_plan_button(request: PageRequest, site: Site, plan: UUID) -> HttpResponse:
    stopped = cancel_shop_plan(plan=shop_plan_of(site, plan), actor=request.actor, at=timezone.now())
    return done(request, f"{stopped} is cancelled.", "shop_plan", site.code)


@page(do=Action.HOLD, refused_on=shop_plan_page)
def accept_shop_plan_button(request: PageRequest, site: Site, plan: UUID) -> HttpResponse:
    held = accept_shop_plan(plan=shop_plan_of(site, plan), actor=request.actor, at=timezone.now())
    return done(request, f"{held} is accepted: everything that it takes is held.", "shop_plan", site.code)


def _cost(plan: ShopPlan | None) -> dict[str, Any]:
    """Nothing of a plan without engines: it costs nothing."""
    if plan is None or not (plan.result or {"jobs": []})["jobs"]:
        return {}
    cost = shop_plan_cost(plan)
    return {"cost": cost, "shown": cost_words(cost)}


def _ranks(plan: ShopPlan | None) -> list[tuple[str, str, str]]:
    """(what, how much, how sure) of each figure by which plans are ranked."""
    if plan is None or plan.result is None:
        return []
    proof, score = plan.result["proof"], plan.result["score"]
    names = list(RANKS)
    open_from = len(names) if proof["unproven"] is None else names.index(proof["unproven"])
    found = []
    for index, name in enumerate(names):
        sure = "proven" if index < open_from else "not proven"
        if index == open_from:
            sure = f"not proven: {gap_words(Proof(**proof))}"
        found.append((RANKS[name], figure_words(name, score[name]), sure))
    return found
