"""From what is to buy to an order: the choice, its drafts, approving, sending, and the order's papers."""

from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone

from inventory.compute.lengths import plausible_shim
from inventory.models import PurchaseChoice, PurchaseList, ShimFamily
from inventory.orders import order_csv, order_pdf, order_record, order_ubl, order_xlsx
from inventory.selectors.purchases import purchase_lists
from inventory.services.choosing import ask_for_choice
from inventory.services.needing import MOST_AT_ONCE, add_needs, restock
from inventory.services.ordering import (
    approve_list,
    edit_list,
    list_total,
    note_reference,
    reopen_list,
    send_again,
    send_list,
)
from inventory.services.texts import counted
from inventory.ui.fields import HowManyField, LengthField
from inventory.ui.purchase_forms import DraftForm
from inventory.ui.purchases import purchase_page, to_buy_page
from shop.errors import NotFound, ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import OnceForm, once, said
from shop.pages.people import PageRequest
from shop.pages.versions import posted_version
from shop.pages.views import page
from shop.roles import Action

PAPERS = {
    "pdf": (order_pdf, "application/pdf"),
    "csv": (order_csv, "text/csv"),
    "xlsx": (order_xlsx, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "xml": (order_ubl, "application/xml"),
}


class NeedForm(OnceForm):
    """Shims that no job waits for."""

    family = forms.ModelChoiceField(
        label="Shim family", queryset=ShimFamily.objects.all(), empty_label="Choose a family"
    )
    thickness = LengthField(label="Thickness", plausible=plausible_shim)
    quantity = HowManyField(label="How many", max_value=MOST_AT_ONCE, initial=1)
    note = forms.CharField(label="What for", max_length=120, required=False)


@page(see=Action.READ)
def drafts_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    choice = PurchaseChoice.objects.filter(site=site).select_related("task").order_by("-asked_at").first()
    drafts = purchase_lists(site, states=[PurchaseList.State.DRAFT, PurchaseList.State.APPROVED])
    context = {
        "choice": choice,
        "busy": choice is not None and choice.made_at is None and choice.task and not choice.task.finished_at,
        "drafts": [(draft, list_total(draft, list(draft.lines.all()))) for draft in drafts],
        "refusal": refusal,
    }
    return render(request, "inventory/drafts.html", context, status=refusal.status if refusal else 200)


@page(do=Action.PURCHASE, refused_on=to_buy_page)
def choose_button(request: PageRequest, site: Site) -> HttpResponse:
    ask_for_choice(site=site, actor=request.actor, at=timezone.now())
    return done(request, "It is being worked out what to buy where.", "drafts", site.code)


@page(see=Action.PURCHASE, do=Action.PURCHASE)
def add_need_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    asked = {name: request.GET.get(name, "") for name in ("family", "thickness", "quantity", "note")}
    form = NeedForm(posted(request), initial={name: value for name, value in asked.items() if value})
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                add_needs(
                    site=site,
                    actor=request.actor,
                    at=at,
                    family=keyed["family"],
                    thickness_nm=keyed["thickness"].nm,
                    quantity=keyed["quantity"],
                    note=keyed["note"],
                )
        return done(request, said(first, "It stands on the list of what is to buy."), "to_buy", site.code)
    refusal = form.take(refusal)
    context = {"form": form, "refusal": refusal}
    return render(request, "inventory/add_need.html", context, status=400 if form.errors else 200)


@page(do=Action.PURCHASE, refused_on=to_buy_page)
def restock_button(request: PageRequest, site: Site) -> HttpResponse:
    made = restock(site=site, actor=request.actor, at=timezone.now())
    sentence = f"Put on the list to keep in stock: {counted(len(made), 'shim')}."
    return done(
        request, sentence if made else "Nothing is missing of what is kept in stock.", "to_buy", site.code
    )


@page(do=Action.PURCHASE, refused_on=purchase_page)
def edit_draft_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    found = _list(site, pk)
    form = DraftForm(request.POST, lines=list(found.lines.all()))
    if not form.is_valid():
        context = {"list": found, "form": form}
        return render(request, "inventory/draft_wrong.html", context, status=400)
    edit_list(
        purchase_list=found,
        actor=request.actor,
        at=timezone.now(),
        packs=form.packs(),
        locked=form.locked(),
        version=posted_version(request.POST),
    )
    return done(request, f"{found} is changed.", "purchase", site.code, pk)


@page(do=Action.PURCHASE, refused_on=purchase_page)
def approve_list_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    found = approve_list(**_act(request, site, pk))
    return done(request, f"{found} is approved; it is not sent yet.", "purchase", site.code, pk)


@page(do=Action.PURCHASE, refused_on=purchase_page)
def reopen_list_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    found = reopen_list(**_act(request, site, pk))
    return done(request, f"{found} is a draft again.", "purchase", site.code, pk)


@page(do=Action.PURCHASE, refused_on=purchase_page)
def send_list_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    found = send_list(**_act(request, site, pk))
    how = f"goes to {found.sent_to}" if found.sent_to else "is ordered; take the PDF to the supplier"
    return done(request, f"{found} {how}.", "purchase", site.code, pk)


@page(do=Action.PURCHASE, refused_on=purchase_page)
def send_again_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    found = send_again(**_act(request, site, pk))
    return done(request, f"A copy of {found} goes to {found.sent_to}.", "purchase", site.code, pk)


@page(do=Action.PURCHASE, refused_on=purchase_page)
def note_reference_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    found = note_reference(**_act(request, site, pk), reference=request.POST.get("reference", "").strip())
    return done(request, f"The reference of {found} is kept.", "purchase", site.code, pk)


@page(see=Action.READ)
def order_paper(request: PageRequest, site: Site, pk: UUID, ending: str) -> HttpResponse:
    if ending not in PAPERS:
        raise NotFound(f"An order comes as {', '.join(PAPERS)}.")
    write, kind = PAPERS[ending]
    address = request.build_absolute_uri(reverse("purchase", args=[site.code, pk]))
    order = order_record(_list(site, pk), address=address)
    answer = HttpResponse(write(order), content_type=kind)
    answer["Content-Disposition"] = f'attachment; filename="order-{order.name}.{ending}"'
    return answer


def _act(request: PageRequest, site: Site, pk: UUID) -> dict[str, Any]:
    return {
        "purchase_list": _list(site, pk),
        "actor": request.actor,
        "at": timezone.now(),
        "version": posted_version(request.POST),
    }


def _list(site: Site, pk: UUID) -> PurchaseList:
    return get_object_or_404(purchase_lists(site), pk=pk)
