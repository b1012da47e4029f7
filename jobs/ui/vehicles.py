"""Vehicles: find one, enter one, and what was done on it."""

from uuid import UUID

from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from jobs.models import Vehicle
from jobs.selectors.jobs import vehicle_history
from jobs.services.vehicles import enter_vehicle
from jobs.ui.forms import VehicleForm
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 40


@page(see=Action.READ)
def vehicles_page(request: PageRequest, site: Site) -> HttpResponse:
    sought = request.GET.get("q", "").strip()
    rows = Vehicle.objects.filter(site=site).select_related("engine_type")
    if sought:
        rows = rows.filter(Q(registration__icontains=sought) | Q(description__icontains=sought))
    leaf = Paginator(rows, ROWS).get_page(request.GET.get("page"))
    return render(
        request, "jobs/vehicles.html", {"vehicles": leaf, "sought": sought, "bay": request.GET.get("bay", "")}
    )


@page(see=Action.READ)
def vehicle_page(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    vehicle = get_object_or_404(
        Vehicle.objects.select_related("site", "engine_type__family"), site=site, pk=pk
    )
    return render(request, "jobs/vehicle.html", {"vehicle": vehicle, "history": vehicle_history(vehicle)})


@page(see=Action.EDIT_VEHICLE, do=Action.EDIT_VEHICLE)
def new_vehicle_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    form = VehicleForm(posted(request))
    if request.method == "POST" and refusal is None and form.is_valid():
        vehicle = enter_vehicle(site=site, actor=request.actor, at=timezone.now(), **form.cleaned_data)
        said = f"{vehicle} is entered."
        if request.actor.may(Action.WORK_JOB, site):
            chosen = {"vehicle": vehicle.pk, "bay": request.GET.get("bay", "")}
            then = "open_job" if vehicle.engine_type_id else "open_by_hand"
            return done(request, said, then, site.code, query=chosen)
        return done(request, said, "vehicle", site.code, vehicle.pk)
    refusal = form.take(refusal)
    return render(
        request,
        "jobs/new_vehicle.html",
        {"form": form, "refusal": refusal},
        status=400 if form.errors else 200,
    )
