"""The ledger as a person reads it: what moved, by whom, why; and undoing it."""

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Movement, Reason
from inventory.selectors.movements import movements
from inventory.services.floor import reverse_movement
from inventory.ui.forms import ReverseForm
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 30


@page(see=Action.READ)
def movements_page(request: PageRequest, site: Site) -> HttpResponse:
    reason = request.GET.get("reason", "")
    rows = movements(site, reason=reason if reason in Reason.values else None)
    context = {
        "movements": Paginator(rows, ROWS).get_page(request.GET.get("page")),
        "reasons": Reason.choices,
        "reason": reason,
    }
    return render(request, "inventory/movements.html", context)


@page(see=Action.READ, do=Action.REVERSE)
def movement_page(
    request: PageRequest, site: Site, uid: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    movement = get_object_or_404(movements(site).select_related("reverses", "reversed_by", "site"), uid=uid)
    form = ReverseForm(posted(request))
    if request.method == "POST" and refusal is None and form.is_valid():
        at = timezone.now()
        with once(form.cleaned_data["once"], at) as first:
            if first:
                reverse_movement(
                    movement=movement, actor=request.actor, at=at, note=form.cleaned_data["note"]
                )
        return done(request, f"Movement {movement.seq} is undone.", "movement", site.code, uid)
    refusal = form.take(refusal)
    context = {
        "movement": movement,
        "form": form,
        "undone_by": _undone_by(movement),
        "refusal": refusal,
    }
    return render(request, "inventory/movement.html", context, status=400 if form.errors else 200)


def _undone_by(movement: Movement) -> Movement | None:
    return getattr(movement, "reversed_by", None)
