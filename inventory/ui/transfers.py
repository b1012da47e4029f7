"""Parcels between sites: sent, on their way, taken in, called back, written off, taken back."""

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Movement, Transfer
from inventory.selectors.transfers import transfers
from inventory.services.transfers import (
    TAKEN_BACK,
    arrive_shims,
    recall_transfer,
    send_shims,
    take_back_arrival,
    write_off_transfer,
)
from inventory.ui.lot_forms import ArriveForm, SendForm, WhyForm
from inventory.ui.lots import chosen_lots
from shop.errors import NotFound, ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.versions import must_be_current, posted_version
from shop.pages.views import page
from shop.roles import Action

ROWS = 30


@page(see=Action.READ)
def transfers_page(request: PageRequest, site: Site) -> HttpResponse:
    on_the_way = Transfer.State.IN_TRANSIT
    context = {
        "coming": transfers(site, state=on_the_way, coming=True),
        "sent": transfers(site, state=on_the_way, coming=False),
        "closed": Paginator(transfers(site, state=Transfer.State.CLOSED), ROWS).get_page(
            request.GET.get("page")
        ),
    }
    return render(request, "inventory/transfers.html", context)


@page(see=Action.TRANSFER, do=Action.TRANSFER)
def send_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    lots, chosen = chosen_lots(request, site)
    form = SendForm(posted(request), lots=lots, site=site)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                send_shims(
                    site=site,
                    target=keyed["target"],
                    actor=request.actor,
                    at=at,
                    shims=form.shims(),
                    note=keyed["note"],
                )
        return done(request, said(first, f"On their way to {keyed['target']}."), "transfers", site.code)
    refusal = form.take(refusal)
    context = {**chosen, "form": form, "refusal": refusal}
    return render(request, "inventory/send.html", context, status=400 if form.errors else 200)


@page(see=Action.READ, do=Action.TRANSFER)
def transfer_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    """A parcel; at the site that it comes to it is taken in here, in full or short."""
    transfer = _transfer(site, pk)
    lines = list(transfer.lines.all())
    coming = transfer.target_id == site.pk
    form = None
    if coming and transfer.state == Transfer.State.IN_TRANSIT:
        form = ArriveForm(posted(request), transfer=transfer, lines=lines)
    if request.method == "POST" and refusal is None:
        if not coming:
            raise NotFound("This parcel goes to another site, and is taken in there.")
        if form is None:
            form = ArriveForm(posted(request), transfer=transfer, lines=lines)
        if form.is_valid():
            at, keyed = timezone.now(), form.cleaned_data
            with once(keyed["once"], at) as first:
                if first:
                    must_be_current(transfer, keyed["version"])
                    arrive_shims(
                        transfer=transfer,
                        actor=request.actor,
                        at=at,
                        arrived=form.arrived(),
                        places=form.places(),
                        note=keyed["note"],
                        version=keyed["version"],
                        confirm=form.confirmed,
                    )
            return done(request, said(first, f"Taken in from {transfer}."), "transfer", site.code, pk)
    if form is not None and refusal is not None:
        refusal = form.take(refusal)
    context = {
        "transfer": transfer,
        "lines": lines,
        "coming": coming,
        "form": form,
        "ended": _ended(transfer, site),
        "refusal": refusal,
    }
    status = 400 if form is not None and form.errors else 200
    return render(request, "inventory/transfer.html", context, status=status)


@page(do=Action.TRANSFER, refused_on=transfer_page)
def recall_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    transfer = _sent(site, pk)
    version = posted_version(request.POST)
    recall_transfer(transfer=transfer, actor=request.actor, at=timezone.now(), version=version)
    return done(request, f"{transfer} is called back; its shims are where they were.", "transfers", site.code)


@page(see=Action.WRITE_OFF, do=Action.WRITE_OFF)
def write_off_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    transfer = _sent(site, pk)
    form = WhyForm(posted(request), initial={"version": transfer.version})
    if request.method == "POST" and refusal is None and form.is_valid():
        write_off_transfer(transfer=transfer, actor=request.actor, at=timezone.now(), **form.cleaned_data)
        return done(request, f"What was missing of {transfer} is written off.", "transfer", site.code, pk)
    title = "Write off what did not arrive"
    return _why(request, transfer, form, title, "Write off", refusal)


@page(see=Action.REVERSE, do=Action.REVERSE)
def take_back_page(
    request: PageRequest, site: Site, pk: UUID, uid: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    transfer = _transfer(site, pk)
    movement = get_object_or_404(
        Movement, uid=uid, site=site, reason__in=TAKEN_BACK, of_transfer__transfer=transfer
    )
    form = WhyForm(posted(request), initial={"version": transfer.version})
    if request.method == "POST" and refusal is None and form.is_valid():
        take_back_arrival(
            transfer=transfer,
            movement=movement,
            actor=request.actor,
            at=timezone.now(),
            note=form.cleaned_data["note"],
        )
        return done(request, f"That is undone; {transfer} is in transit.", "transfer", site.code, pk)
    return _why(request, transfer, form, "Take it back", "Take back", refusal)


def _transfer(site: Site, pk: UUID) -> Transfer:
    """The parcel as this site sees it; 404 where it neither sent it nor gets it."""
    return get_object_or_404(transfers(site), pk=pk)


def _sent(site: Site, pk: UUID) -> Transfer:
    return get_object_or_404(transfers(site, coming=False), pk=pk)


def _ended(transfer: Transfer, site: Site) -> list[Movement]:
    """What was taken in here, called back or written off, and not taken back since."""
    ended = Movement.objects.filter(
        of_transfer__transfer=transfer, site=site, reason__in=TAKEN_BACK, reversed_by=None
    )
    return list(ended.prefetch_related("lines__place").order_by("seq"))


def _why(
    request: PageRequest,
    transfer: Transfer,
    form: WhyForm,
    title: str,
    verb: str,
    refusal: ShopError | None,
) -> HttpResponse:
    refusal = form.take(refusal)
    context = {"transfer": transfer, "form": form, "title": title, "verb": verb, "refusal": refusal}
    return render(request, "inventory/transfer_why.html", context, status=400 if form.errors else 200)
