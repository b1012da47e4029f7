"""New shims that go back to their supplier."""

from uuid import UUID

from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Condition, SupplierClaim, SupplierReturn
from inventory.selectors.claims import claims_of
from inventory.selectors.movements import undone_among
from inventory.services.supplier_returns import RETURNED_FROM, return_to_supplier
from inventory.ui.lot_forms import GiveBackForm
from inventory.ui.lots import chosen_lots
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
def supplier_returns_page(request: PageRequest, site: Site) -> HttpResponse:
    rows = SupplierReturn.objects.filter(site=site).select_related("supplier", "movement")
    rows = rows.prefetch_related("movement__lines__family").order_by("-number")
    leaf = Paginator(rows, ROWS).get_page(request.GET.get("page"))
    context = {"returns": leaf, "undone": undone_among(made.movement_id for made in leaf)}
    return render(request, "inventory/supplier_returns.html", context)


@page(see=Action.RETURN_TO_SUPPLIER, do=Action.RETURN_TO_SUPPLIER)
def give_back_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    lots, chosen = chosen_lots(request, site, Condition.NEW, RETURNED_FROM)
    claim = _claim(request, site)
    known = {"supplier": claim.supplier, "reason": f"{claim}."} if claim else {}
    form = GiveBackForm(posted(request), lots=lots, initial=known)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                return_to_supplier(
                    site=site,
                    actor=request.actor,
                    at=at,
                    supplier=keyed["supplier"],
                    shims=form.shims(),
                    reason=keyed["reason"],
                    reference=keyed["reference"],
                    claims=[claim] if claim else [],
                )
        sentence = f"On their way back to {keyed['supplier']}."
        return done(request, said(first, sentence), "supplier_returns", site.code)
    refusal = form.take(refusal)
    context = {**chosen, "form": form, "refusal": refusal}
    return render(request, "inventory/give_back.html", context, status=400 if form.errors else 200)


def _claim(request: PageRequest, site: Site) -> SupplierClaim | None:
    """The claim whose shims go back, as the page's address names it."""
    if "claim" not in request.GET:
        return None
    try:
        pk = UUID(request.GET["claim"])
    except ValueError as error:
        raise Http404 from error
    return get_object_or_404(claims_of([site.pk]), pk=pk)
