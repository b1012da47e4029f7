"""Suppliers, the terms on which they sell, and what their currencies are worth."""

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import ExchangeRate, Supplier
from inventory.selectors.suppliers import without_rate
from inventory.services.terms import set_rate, set_terms
from inventory.ui.supplier_forms import RateForm, TermsForm, plain
from shop.conf import conf
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.READ)
def suppliers_page(request: PageRequest, site: Site) -> HttpResponse:
    context = {"suppliers": Supplier.objects.order_by("name"), "currency": conf.currency}
    return render(request, "inventory/suppliers.html", context)


@page(see=Action.EDIT_CATALOGUE, do=Action.EDIT_CATALOGUE)
def terms_page(request: PageRequest, site: Site, code: str, refusal: ShopError | None = None) -> HttpResponse:
    supplier = get_object_or_404(Supplier, code=code)
    form = TermsForm(posted(request), supplier=supplier)
    if request.method == "POST" and refusal is None and form.is_valid():
        set_terms(
            actor=request.actor,
            supplier=supplier,
            terms=form.terms(),
            seen=form.cleaned_data["version"],
        )
        return done(request, f"The terms of {supplier} hold from now on.", "suppliers", site.code)
    stale = refusal is not None and "version" in refusal.extra
    refusal = form.take(refusal)
    context = {"supplier": supplier, "form": form, "refusal": refusal, "stale": stale}
    context["currency"] = conf.currency
    return render(request, "inventory/terms.html", context, status=400 if form.errors else 200)


@page(see=Action.READ, do=Action.EDIT_CATALOGUE)
def rates_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    asked = request.GET.get("currency", "")[:3]
    form = RateForm(posted(request), initial={"currency": asked})
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                set_rate(actor=request.actor, at=at, currency=keyed["currency"], rate=keyed["rate"])
        sentence = f"One {keyed['currency'].upper()} is {plain(keyed['rate'])} {conf.currency} from now on."
        return done(request, said(first, sentence), "rates", site.code)
    refusal = form.take(refusal)
    context = {
        "form": form,
        "refusal": refusal,
        "rates": [(rate, plain(rate.rate)) for rate in ExchangeRate.objects.order_by("currency")],
        "missing": without_rate(),
        "currency": conf.currency,
    }
    return render(request, "inventory/rates.html", context, status=400 if form.errors else 200)
