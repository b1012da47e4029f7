"""Tables in and out: bring one in, read what it would do, apply it; or take one out as CSV or XLSX."""

from itertools import groupby
from uuid import UUID

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.imports.kinds import TableKind, headings, kind_of, kinds, name_of
from inventory.imports.runs import BUSY, apply_import, cancel_import, stage_import
from inventory.models import ImportRow, ImportRun
from inventory.spreadsheets.writing import csv_chunks, xlsx_bytes
from shop.errors import NotFound, ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import OnceForm, once
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 50
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


class ImportForm(OnceForm):
    """Which table, and the file."""

    kind = forms.ChoiceField(label="What is in it")
    file = forms.FileField(label="CSV or XLSX file", max_length=200)

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [(kind.code, kind.title) for kind in kinds()]


def columns_said(kind: TableKind) -> list[tuple[str, bool]]:
    """(heading, whether it must be filled) of each column; numbered ones of one name are said as a range."""
    said: list[tuple[str, bool]] = []
    for _stem, run in groupby(kind.columns, lambda column: column.heading.rstrip("0123456789")):
        columns = list(run)
        first, last = columns[0], columns[-1]
        heading = first.heading if len(columns) == 1 else f"{first.heading} to {last.heading}"
        said.append((heading, first.required))
    return said


@page(see=Action.IMPORT, do=Action.IMPORT)
def tables_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    form = ImportForm(posted(request), request.FILES or None)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                run = stage_import(
                    site=site,
                    actor=request.actor,
                    at=at,
                    kind=keyed["kind"],
                    file=keyed["file"],
                    name=keyed["file"].name,
                )
        if not first:
            run = ImportRun.objects.filter(site=site, created_by=request.actor.label).latest("created_at")
        return done(request, f"{run} is being read.", "import", site.code, run.pk)
    form.take(refusal)
    context = {
        "form": form,
        "kinds": [(kind, columns_said(kind)) for kind in kinds()],
        "runs": Paginator(ImportRun.objects.filter(site=site).defer("data"), ROWS).get_page(
            request.GET.get("page")
        ),
    }
    return render(request, "inventory/tables.html", context, status=400 if form.errors else 200)


@page(see=Action.IMPORT)
def import_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    run = _run(site, pk)
    fate = request.GET.get("fate", "")
    rows = run.staged.filter(fate=fate) if fate in ImportRow.Fate.values else run.staged.all()
    kind, leaf = kind_of(run.kind), Paginator(rows, ROWS).get_page(request.GET.get("page"))
    context = {
        "run": run,
        "kind": kind,
        "fate": fate,
        "fates": ImportRow.Fate.choices,
        "rows": leaf,
        "named": [(row, name_of(kind, row.values)) for row in leaf],
        "busy": run.state in BUSY,
        "refusal": refusal,
    }
    return render(request, "inventory/import.html", context, status=refusal.status if refusal else 200)


@page(do=Action.IMPORT, refused_on=import_page)
def apply_import_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    run = _run(site, pk)
    apply_import(run=run, actor=request.actor, at=timezone.now())
    return done(request, f"{run} is being applied.", "import", site.code, pk)


@page(do=Action.IMPORT, refused_on=import_page)
def cancel_import_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    run = _run(site, pk)
    cancel_import(run=run, actor=request.actor, at=timezone.now())
    return done(request, f"{run} is called off.", "import", site.code, pk)


@page(see=Action.READ)
def export_page(request: PageRequest, site: Site, kind: str, ending: str) -> HttpResponse:
    table = kind_of(kind)
    header = headings(table, site)
    name = f"{table.code}-{site.code}.{ending}"
    if ending == "csv":
        answer = StreamingHttpResponse(csv_chunks(header, table.export(site)), content_type="text/csv")
    elif ending == "xlsx":
        answer = HttpResponse(xlsx_bytes(table.title, header, table.export(site)), content_type=XLSX)
    else:
        raise NotFound("A table comes out as csv or xlsx.")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _run(site: Site, pk: UUID) -> ImportRun:
    return get_object_or_404(ImportRun.objects.select_related("site", "task").defer("data"), site=site, pk=pk)
