"""What was: the books line by line, the stock of a past moment, what lies too long, where shims went."""

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone

from inventory.models import MovementLine, ShimFamily
from inventory.selectors.as_of import LotThen, moment_at, stock_as_of
from inventory.selectors.history import history, history_rows
from inventory.selectors.history_tables import (
    HISTORY,
    JOURNEYS,
    THEN,
    history_cells,
    journey_cells,
    then_cells,
)
from inventory.selectors.journeys import TracedShims, traced_shims
from inventory.selectors.stale import stale_lots
from inventory.table_files import table_file
from inventory.ui.history_forms import HistoryForm, JourneysForm, ThenForm
from shop.conf import conf
from shop.errors import Invalid
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 40


@page(see=Action.READ)
def history_page(request: PageRequest, site: Site) -> HttpResponse:
    form = HistoryForm(request.GET, site=site)
    rows = _lines(site, form)
    context = {
        "form": form,
        "lines": Paginator(rows, ROWS).get_page(request.GET.get("page")),
        "asked": request.GET.urlencode(),
    }
    return render(request, "inventory/history.html", context, status=400 if form.errors else 200)


@page(see=Action.READ)
def history_file(request: PageRequest, site: Site, ending: str) -> HttpResponseBase:
    form = HistoryForm(request.GET, site=site)
    rows = _lines(site, form)
    _must_be_right(form)
    return table_file(f"history-{site.code}", "History", ending, HISTORY, history_cells(history_rows(rows)))


@page(see=Action.READ)
def stock_then_page(request: PageRequest, site: Site) -> HttpResponse:
    now = timezone.now()
    form = ThenForm(request.GET if "at" in request.GET else None, now=now, initial={"at": now})
    lots = _then(site, form) if form.is_bound and form.is_valid() else []
    context = {
        "form": form,
        "lots": Paginator(lots, ROWS).get_page(request.GET.get("page")),
        "in_all": sum(lot.on_hand for lot in lots),
        "asked": request.GET.urlencode() if form.is_bound and form.is_valid() else "",
    }
    return render(request, "inventory/stock_then.html", context, status=400 if form.errors else 200)


@page(see=Action.READ)
def stock_then_file(request: PageRequest, site: Site, ending: str) -> HttpResponseBase:
    form = ThenForm(request.GET, now=timezone.now())
    _must_be_right(form)
    rows = then_cells(_then(site, form))
    return table_file(f"stock-{site.code}-{form.cleaned_data['at']:%Y%m%d-%H%M}", "Stock", ending, THEN, rows)


@page(see=Action.READ)
def stale_page(request: PageRequest, site: Site) -> HttpResponse:
    at = timezone.now()
    lots = stale_lots(at=at, older_than=conf.stale_time, site=site)
    leaf = Paginator(lots, ROWS).get_page(request.GET.get("page"))
    context = {
        "leaf": leaf,
        "lots": [(lot, (at - lot.since).days) for lot in leaf.object_list],
        "days": conf.stale_time.days,
    }
    return render(request, "inventory/stale.html", context)


@page(see=Action.READ)
def journeys_page(request: PageRequest, site: Site) -> HttpResponse:
    form = _journeys_form(request)
    shims = _traced(site, form) if form is not None and form.is_valid() else []
    context = {
        "form": form,
        "shims": Paginator(shims, ROWS).get_page(request.GET.get("page")),
        "asked": "" if form is None else form.data.urlencode(),
    }
    return render(request, "inventory/journeys.html", context, status=400 if form and form.errors else 200)


@page(see=Action.READ)
def journeys_file(request: PageRequest, site: Site, ending: str) -> HttpResponseBase:
    form = JourneysForm(request.GET)
    _must_be_right(form)
    family = form.chosen()
    rows = journey_cells(_traced(site, form))
    return table_file(f"journeys-{family.code}-{site.code}", "Journeys", ending, JOURNEYS, rows)


def _lines(site: Site, form: HistoryForm) -> QuerySet[MovementLine]:
    """What the form asks for; nothing where it asks for what makes no sense."""
    if not form.is_valid():
        return MovementLine.objects.none()
    # Of this one's transit another site's movements take shims too; those are that site's own to tell.
    return history(site, form.wanted()).filter(movement__site=site)


def _then(site: Site, form: ThenForm) -> list[LotThen]:
    return stock_as_of(moment_at(site, form.cleaned_data["at"]), family=form.cleaned_data["family"])


def _journeys_form(request: PageRequest) -> JourneysForm | None:
    """Of the first family where none is asked for; None where there is none at all."""
    asked = request.GET.copy()
    if "family" not in asked:
        first = ShimFamily.objects.order_by("code").first()
        if first is None:
            return None
        asked["family"] = first.code
    return JourneysForm(asked)


def _traced(site: Site, form: JourneysForm) -> TracedShims:
    swaps_too: bool = form.cleaned_data["swaps"]
    return traced_shims(site, form.chosen(), same_engine=None if swaps_too else False, **form.period())


def _must_be_right(form: HistoryForm | ThenForm | JourneysForm) -> None:
    if not form.is_valid():
        words = " ".join(f"{name}: {' '.join(wrong)}" for name, wrong in form.errors.items())
        raise Invalid(f"What is asked for makes no sense. {words}")
