"""What suppliers owe for what came short, wrong or damaged."""

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import ReceiptLine, SupplierClaim
from inventory.selectors.claims import claims_of
from inventory.services.claims import open_claim, settle_claim
from inventory.ui.receipt_forms import OpenClaimForm, SettleForm
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 30


@page(see=Action.READ)
def claims_page(request: PageRequest, site: Site) -> HttpResponse:
    rows = claims_of([site.pk])
    only_open = request.GET.get("show") != "all"
    if only_open:
        rows = rows.filter(state=SupplierClaim.State.OPEN)
    context = {
        "claims": Paginator(rows, ROWS).get_page(request.GET.get("page")),
        "only_open": only_open,
    }
    return render(request, "inventory/claims.html", context)


@page(see=Action.READ, do=Action.PURCHASE)
def open_claim_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    """A claim by hand over one line of a delivery."""
    rows = ReceiptLine.objects.select_related("receipt__site", "receipt__purchase_list", "line__family")
    row = get_object_or_404(rows, receipt__site=site, pk=pk)
    form = OpenClaimForm(posted(request), row=row)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                open_claim(
                    row=row,
                    actor=request.actor,
                    at=at,
                    kind=keyed["kind"],
                    quantity=keyed["quantity"],
                    reason=keyed["reason"],
                )
        claim = row.claims.exclude(reason="").latest("opened_at")
        return done(request, said(first, "It is claimed."), "claim", site.code, claim.pk)
    refusal = form.take(refusal)
    context = {"row": row, "form": form, "refusal": refusal}
    return render(request, "inventory/open_claim.html", context, status=400 if form.errors else 200)


@page(see=Action.READ, do=Action.PURCHASE)
def claim_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    claim = get_object_or_404(claims_of([site.pk]), pk=pk)
    form = SettleForm(posted(request), claim=claim)
    if request.method == "POST" and refusal is None and form.is_valid():
        keyed = form.cleaned_data
        settle_claim(
            claim=claim,
            actor=request.actor,
            at=timezone.now(),
            state=keyed["state"],
            amount=keyed["amount"],
            note=keyed["note"],
            version=keyed["version"],
        )
        return done(request, "The claim is settled.", "claim", site.code, pk)
    refusal = form.take(refusal)
    context = {"claim": claim, "form": form, "refusal": refusal}
    return render(request, "inventory/claim.html", context, status=400 if form.errors else 200)
