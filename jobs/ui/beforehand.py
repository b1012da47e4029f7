"""Before the cover comes off: will the building have what it takes?"""

from dataclasses import dataclass
from urllib.parse import urlencode

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse

from inventory.compute.lengths import show
from jobs.compute.beforehand import percent
from jobs.models import EngineType, Vehicle
from jobs.selectors.beforehand import Beforehand, SizeRow, before_opening
from jobs.ui.forms import CheckForm
from shop.errors import NotFound
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownSize:
    """One size of the table, and where its need is keyed in; "" where nothing is to be ordered."""

    row: SizeRow
    need: str


@page(see=Action.PLAN)
def check_page(request: PageRequest, site: Site) -> HttpResponse:
    form = CheckForm(request.GET or None, site=site)
    if form.is_bound and not form.is_valid():
        raise NotFound("There is no such vehicle or engine type here.")
    keyed = form.cleaned_data if form.is_bound else {}
    vehicle: Vehicle | None = keyed.get("vehicle")
    engine_type: EngineType | None = keyed.get("engine_type")
    answer = None
    if vehicle is not None or engine_type is not None:
        answer = before_opening(site, request.actor, vehicle=vehicle, engine_type=engine_type)
    context = {
        "form": form,
        "answer": answer,
        **_figures(answer),
        "sizes": _sizes(answer) if answer else [],
    }
    return render(request, "jobs/check.html", context)


def _figures(answer: Beforehand | None) -> dict[str, str]:
    """The chance and its bounds in words; {} without a case."""
    if answer is None:
        return {}
    shares = {"chance": answer.ahead.chance, "least": answer.ahead.low, "most": answer.ahead.high}
    return {name: percent(share) for name, share in shares.items() if share is not None}


def _sizes(answer: Beforehand) -> list[ShownSize]:
    return [ShownSize(row=row, need=_need(answer, row)) for row in answer.rows]


def _need(answer: Beforehand, row: SizeRow) -> str:
    """The page for a need by hand, filled in."""
    if not row.size.order or answer.engine_type is None:
        return ""
    about = answer.vehicle.registration if answer.vehicle else answer.engine_type.name
    keyed = {
        "family": answer.engine_type.family_id,
        "thickness": f"{show(row.size.size_nm)} mm",
        "quantity": row.size.order,
        "note": f"Check before the cover comes off: {about}",
    }
    return f"{reverse('add_need', args=[answer.site.code])}?{urlencode(keyed)}"
