"""Who holds what: the board, one hold, letting it stand longer."""

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Hold
from inventory.selectors.holds import held_for, holds, open_holds
from inventory.selectors.overdue import as_it_is
from inventory.services.holds import extend_hold
from inventory.ui.hold_forms import HOUR, ExtendForm, FindHoldsForm
from shop.conf import conf
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import OnceForm, once
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 40


@page(see=Action.READ)
def holds_page(request: PageRequest, site: Site) -> HttpResponse:
    form = FindHoldsForm(request.GET, site=site)
    asked = form.cleaned_data if form.is_valid() else {}
    rows = open_holds(
        site, family=asked.get("family"), place=asked.get("place"), holder=asked.get("holder", "")
    )
    leaf = Paginator(rows, ROWS).get_page(request.GET.get("page"))
    context = {
        "form": form,
        "leaf": leaf,
        "board": held_for(leaf.object_list, at=timezone.now()),
        "waiting_days": conf.waiting_hold_time.days,
    }
    return render(request, "inventory/holds.html", context)


@page(see=Action.READ)
def hold_page(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    at = timezone.now()
    hold = as_it_is(hold_of(site, pk), at)
    (entry,) = held_for([hold], at=at)
    context = {
        "entry": entry,
        "hold": hold,
        "stands": hold.state == Hold.State.HELD,
        "taken_over": getattr(hold, "taken_over", None),
    }
    return render(request, "inventory/hold.html", context)


@page(see=Action.HOLD, do=Action.HOLD)
def extend_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    hold = hold_of(site, pk)
    form = ExtendForm(posted(request))
    if request.method == "POST" and refusal is None and form.is_valid():
        at = timezone.now()
        with once(form.cleaned_data["once"], at) as first:
            if first:
                hold = extend_hold(
                    hold=hold, actor=request.actor, at=at, expires_in=form.cleaned_data["hours"] * HOUR
                )
        return done(
            request,
            f"It is held for {hold.reference} until {hold.expires_at:%d %b, %H:%M}.",
            "hold",
            site.code,
            pk,
        )
    return act_on_hold(request, hold, form, "Hold it until another time", "Hold on", form.take(refusal))


def hold_of(site: Site, pk: UUID) -> Hold:
    """The hold with its lines. Raises Http404, for another site's hold too."""
    return get_object_or_404(holds(site).select_related("site", "taken_over__taken"), pk=pk)


def act_on_hold(
    request: PageRequest,
    hold: Hold,
    form: OnceForm,
    title: str,
    verb: str,
    refusal: ShopError | None,
    *,
    danger: bool = False,
) -> HttpResponse:
    """The page of one act on a hold: what is asked, and the button that does it."""
    context = {
        "hold": hold,
        "form": form,
        "title": title,
        "verb": verb,
        "danger": danger,
        "refusal": refusal,
    }
    return render(request, "inventory/act_on_hold.html", context, status=400 if form.errors else 200)
