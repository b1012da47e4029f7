"""The reading sheet and the shim sheet. Both take the whole sheet, or one valve as it is keyed (htmx)."""

from collections import Counter
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from jobs.models import JobValve
from jobs.selectors.jobs import JobSheet, ValveSheet
from jobs.selectors.readings import opens_nothing
from jobs.services.readings import key_clearances, key_shims, set_adjust
from jobs.services.states import Act
from jobs.ui.engine_grid import engine_grid
from jobs.ui.pages import job_page, sheet_of
from jobs.ui.sheet_forms import KeyedCell, ReadingsForm, ShimsForm
from shop.db import atomic_write
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import SeeOther, done
from shop.pages.forms import posted
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

SheetForm = ReadingsForm | ShimsForm
# Where the sheet's buttons lead to, once it is kept.
_THEN = {"readings", "shims", "plan", "sign_off"}


@page(see=Action.READ, do=Action.WORK_JOB)
def readings_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    sheet = sheet_of(site, pk)
    one = _one_valve(request, sheet)
    form = ReadingsForm(posted(request), sheet=sheet, only=one)
    if request.method == "POST" and refusal is None and form.is_valid():
        if form.changed:
            key_clearances(job=sheet.job, actor=request.actor, at=timezone.now(), readings=form.changed)
        if one:
            kept = sheet_of(site, pk)
            return _cell(request, kept, ReadingsForm(sheet=kept), "jobs/_reading_state.html")
        return _on(request, site, pk, "readings", len(form.changed))
    refusal = form.take(refusal)
    if one:
        return _cell(request, sheet, form, "jobs/_reading_state.html", refusal)
    return _sheet(request, "jobs/readings.html", sheet, form, step="readings", refusal=refusal)


@page(see=Action.READ, do=Action.WORK_JOB)
def shims_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    sheet = sheet_of(site, pk)
    one = _one_valve(request, sheet)
    form = ShimsForm(posted(request), sheet=sheet, only=one)
    if request.method == "POST" and refusal is None and form.is_valid():
        _keep_shims(request, sheet, form)
        if one:
            kept = sheet_of(site, pk)
            return _cell(request, kept, ShimsForm(sheet=kept), "jobs/_shim_state.html")
        return _on(request, site, pk, "shims", len(form.changed) + len(form.adjust))
    refusal = form.take(refusal)
    if one:
        return _cell(request, sheet, form, "jobs/_shim_state.html", refusal)
    return _sheet(request, "jobs/shims.html", sheet, form, step="shims", refusal=refusal)


def _keep_shims(request: PageRequest, sheet: JobSheet, form: ShimsForm) -> None:
    """Both acts of the one sheet, or neither."""
    at = timezone.now()
    with atomic_write():
        if form.changed:
            key_shims(job=sheet.job, actor=request.actor, at=at, shims=form.changed)
        if form.adjust:
            set_adjust(job=sheet.job, actor=request.actor, at=at, adjust=form.adjust)


def _one_valve(request: PageRequest, sheet: JobSheet) -> ValveSheet | None:
    """The valve whose field sent itself; None when the sheet was sent as a whole."""
    name = request.htmx.trigger_name if request.htmx and not request.htmx.boosted else None
    label = (name or "").partition("-")[2]
    return next((valve for valve in sheet.valves if valve.valve.label == label), None)


def _cell(
    request: PageRequest,
    sheet: JobSheet,
    form: SheetForm,
    template: str,
    refusal: ShopError | None = None,
) -> HttpResponse:
    """The fragment beside a field: verdict, what was kept, what is wrong."""
    valve = _one_valve(request, sheet)
    assert valve is not None
    context = {"cell": form.cell(valve), "job": sheet.job, "refusal": refusal}
    return render(request, template, context, status=400 if form.errors else 200)


def _on(request: PageRequest, site: Site, pk: UUID, here: str, changed: int) -> SeeOther:
    then = request.POST.get("then", here)
    to = then if then in _THEN else here
    words = f"{changed} kept." if changed else "Everything that was keyed in is kept."
    return done(request, words, to, site.code, pk)


def _sheet(
    request: PageRequest,
    template: str,
    sheet: JobSheet,
    form: SheetForm,
    *,
    step: str,
    refusal: ShopError | None,
) -> HttpResponse:
    cells = [form.cell(valve) for valve in sheet.valves]
    return job_page(
        request,
        template,
        sheet,
        step=step,
        refusal=refusal,
        status=400 if form.errors else 200,
        form=form,
        banks=engine_grid(cells, _valve_of),
        sides=_sides(sheet),
        to_change=[valve.valve.label for valve in sheet.valves if needs_change(valve)],
        locked=not request.actor.may(Action.WORK_JOB, sheet.job.site) or Act.KEY_CLEARANCES not in sheet.may,
    )


def _valve_of(cell: KeyedCell) -> JobValve:
    return cell.valve.valve


def needs_change(valve: ValveSheet) -> bool:
    """Whether the valve was read and has to be opened: out of spec as called, or marked always."""
    return valve.reading is not None and not opens_nothing(valve.valve, valve.reading)


def _sides(sheet: JobSheet) -> list[tuple[str, ValveSheet]]:
    """One valve of each side for the spec in the sheet's head, intake first. Where valves of a side have
    specs of their own, one of each, with the labels of those that share it."""
    alike: dict[tuple[str, int, int, int], list[ValveSheet]] = {}
    for entry in sheet.valves:
        valve = entry.valve
        alike.setdefault((valve.side, valve.min_nm, valve.max_nm, valve.aim_nm), []).append(entry)
    several = Counter(side for side, *_ in alike)
    rows = sorted(alike.items(), key=lambda item: item[0][0], reverse=True)
    return [
        (", ".join(entry.valve.label for entry in entries) if several[side] > 1 else "", entries[0])
        for (side, *_), entries in rows
    ]
