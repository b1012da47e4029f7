"""What to buy, what is on its way, and taking it in."""

from uuid import UUID

from django.forms import BoundField
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Place, PurchaseLine, PurchaseList, Supplier
from inventory.selectors.overview import proposed_bins
from inventory.selectors.purchases import purchase_lists, to_buy
from inventory.services.ordering import list_total
from inventory.services.purchasing import cancel_purchase, mark_bought
from inventory.services.receipts import tolerance_nm
from inventory.services.receiving import must_be_coming, receive_purchase
from inventory.ui.purchase_forms import BuyForm, DraftForm, by_cheapest
from inventory.ui.receipt_forms import ReceivePurchaseForm
from shop.conf import conf
from shop.errors import ShopError, StaleVersion
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.versions import posted_version
from shop.pages.views import page
from shop.roles import Action

# Ending and words of each paper of an order. UBL is what buying programs exchange orders in.
PAPERS = (
    ("pdf", "Order to print"),
    ("xlsx", "Order as XLSX"),
    ("csv", "Order as CSV"),
    ("xml", "Order for their program (UBL)"),
)


@page(see=Action.READ, do=Action.PURCHASE)
def to_buy_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    groups = [
        (supplier, BuyForm(_posted_to(request, supplier), wanted=items, initial={"supplier": supplier}))
        for supplier, items in by_cheapest(to_buy(site))
    ]
    form = next((form for _, form in groups if form.is_bound), None)
    if form is not None and refusal is None and form.is_valid():
        at, supplier = timezone.now(), form.cleaned_data["supplier"]
        with once(form.cleaned_data["once"], at) as first:
            if first:
                mark_bought(site=site, actor=request.actor, at=at, supplier=supplier, buys=form.buys())
        return done(request, said(first, f"Marked as bought from {supplier}."), "purchases", site.code)
    if request.method == "POST" and form is None and refusal is None:
        raise StaleVersion("What you wanted to buy is no longer on the list; it was bought or is not needed.")
    if form is not None:
        refusal = form.take(refusal)
    context = {
        "groups": groups,
        "refusal": refusal,
        "on_the_way": purchase_lists(site, states=PurchaseList.ON_THE_WAY),
    }
    return render(request, "inventory/to_buy.html", context, status=400 if form and form.errors else 200)


def _posted_to(request: PageRequest, supplier: Supplier | None) -> QueryDict | None:
    """What was posted, for the form of the group that it was posted from."""
    group = supplier.code if supplier else ""
    return request.POST if request.method == "POST" and request.POST.get("group") == group else None


@page(see=Action.READ)
def purchases_page(request: PageRequest, site: Site) -> HttpResponse:
    return render(request, "inventory/purchases.html", {"lists": purchase_lists(site)[:60]})


@page(see=Action.READ, do=Action.RECEIVE)
def purchase_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    found = _list(site, pk)
    lines = list(found.lines.all())
    proposed = proposed_bins(site, [(line.family_id, line.thickness_nm) for line in lines])
    # A refusal of another button of the page is shown here too; what was posted is not this form's then.
    mine = posted(request) if "once" in request.POST else None
    form = ReceivePurchaseForm(mine, purchase_list=found, lines=lines, proposed=proposed)
    if mine is not None and refusal is None and not form.sent_before():
        # Before the form: what it would find wrong is of a list that is another by now.
        must_be_coming(found, posted_version(mine))
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                receive_purchase(
                    purchase_list=found,
                    actor=request.actor,
                    at=at,
                    received=form.received(),
                    bins=form.bins(),
                    version=keyed["version"],
                    confirm=form.confirmed,
                    found=form.found(),
                    document=keyed["document"],
                )
        words = f"Received from {found}."
        if over := sum(each.over for each in form.found().values()):
            words += f" {over} too many lie in receiving: below, claim them and send them back, or keep them."
        return done(request, said(first, words), "purchase", site.code, pk)
    if mine is not None:
        refusal = form.take(refusal)
    context = {
        "list": found,
        "form": form,
        "rows": _rows(form, lines, proposed),
        "refusal": refusal,
        "coming": found.state in PurchaseList.ON_THE_WAY,
        "open": found.state in PurchaseList.OPEN,
        "draft_rows": DraftForm(lines=lines).rows() if found.state == PurchaseList.State.DRAFT else [],
        "total": list_total(found, lines),
        "currency": found.currency or conf.currency,
        "papers": PAPERS,
        "acts": _acts(found),
        "events": list(found.events.all()),
        "receipts": list(found.receipts.prefetch_related("lines__line", "lines__claims")),
        "tolerance": tolerance_nm(),
    }
    wrong = form.errors or refusal
    return render(request, "inventory/purchase.html", context, status=400 if wrong else 200)


def _acts(found: PurchaseList) -> list[tuple[str, str, str]]:
    """What can be done to a list in its state: page, words, kind of button."""
    if found.state == PurchaseList.State.DRAFT:
        return [("approve_list", "Approve", "primary big")]
    if found.state == PurchaseList.State.APPROVED:
        words = "Send the order by e-mail" if found.supplier.email else "Mark as ordered"
        return [("send_list", words, "primary big"), ("reopen_list", "Change it again", "")]
    if found.state in PurchaseList.ON_THE_WAY and found.supplier.email:
        return [("send_again", "Mail the order again", "")]
    return []


@page(do=Action.PURCHASE, refused_on=purchase_page)
def cancel_purchase_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    found = _list(site, pk)
    found = cancel_purchase(
        purchase_list=found,
        actor=request.actor,
        at=timezone.now(),
        version=posted_version(request.POST),
    )
    if found.state == PurchaseList.State.CLOSED:
        words = f"{found} is closed: what came stays received, and the rest is called off."
        return done(request, words, "purchase", site.code, pk)
    return done(request, f"{found} is cancelled; what it had is to buy again.", "to_buy", site.code)


def _list(site: Site, pk: UUID) -> PurchaseList:
    return get_object_or_404(purchase_lists(site), pk=pk)


def _rows(
    form: ReceivePurchaseForm, lines: list[PurchaseLine], proposed: dict[tuple[UUID, int], Place]
) -> list[tuple[PurchaseLine, Place | None, BoundField | None, BoundField | None, list[BoundField]]]:
    return [
        (
            line,
            proposed.get((line.family_id, line.thickness_nm)),
            form.field_for(line),
            form.bin_for(line),
            form.more_for(line),
        )
        for line in lines
    ]
