"""The counter: what waits there, receiving a delivery, putting it away."""

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.models import PlaceKind
from inventory.selectors.overview import at_the_counter, proposed_bins
from inventory.selectors.stock import content
from inventory.services.floor import put_away, receive_shims
from inventory.services.texts import counted
from inventory.ui.forms import PutAwayForm, ReceiveForm
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.READ)
def counter_page(request: PageRequest, site: Site) -> HttpResponse:
    return render(request, "inventory/counter.html", {"waiting": at_the_counter(site)})


@page(see=Action.RECEIVE, do=Action.RECEIVE)
def receive_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    form = ReceiveForm(posted(request), site=site)
    if "look" in request.POST:
        # Nothing is booked: the person asks where it belongs and reads the answer in the form.
        if form.is_valid():
            form.propose()
    elif request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                receive_shims(
                    site=site,
                    actor=request.actor,
                    at=at,
                    shims=form.shims(),
                    document=keyed["document"],
                    confirm=form.confirmed,
                )
        count = sum(line.quantity for line in form.shims())
        return done(request, said(first, f"{counted(count, 'shim')} received."), "counter", site.code)
    refusal = form.take(refusal)
    return render(
        request,
        "inventory/receive.html",
        {"form": form, "refusal": refusal},
        status=400 if form.errors else 200,
    )


@page(see=Action.MOVE_STOCK, do=Action.MOVE_STOCK)
def put_away_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    lots = list(content(site, PlaceKind.RECEIVING))
    nearest = proposed_bins(site, [(lot.family_id, lot.thickness_nm) for lot in lots])
    form = PutAwayForm(posted(request), lots=lots, nearest=nearest, site=site)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                put_away(site=site, actor=request.actor, at=at, shims=form.shims(), confirm=form.confirmed)
        count = sum(line.quantity for line in form.shims())
        return done(request, said(first, f"{counted(count, 'shim')} put away."), "counter", site.code)
    refusal = form.take(refusal)
    return render(
        request,
        "inventory/put_away.html",
        {"form": form, "refusal": refusal},
        status=400 if form.errors else 200,
    )
