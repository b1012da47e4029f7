"""Counting bins: what is to count, one count from the blind sheet to the books, and what became of all."""

from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import BinCount
from inventory.selectors.counting import counts, schedule, sheet_of, to_count
from inventory.selectors.movements import undone_among
from inventory.selectors.variance import outcome_of
from inventory.services.count_posting import approve_count, cancel_count, post_count, reject_count
from inventory.services.counting import MOST_PLACES, begin_count, key_count, open_counts
from inventory.services.texts import counted
from inventory.ui.bins import bin_page
from inventory.ui.count_forms import FIRST_EXTRA, MOST_EXTRA, KeyCountForm, OpenCountsForm
from shop.errors import ShopError, WrongState
from shop.models import Site, UsedForm
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import OnceForm, once, said
from shop.pages.people import PageRequest
from shop.pages.versions import must_be_current, posted_version
from shop.pages.views import page
from shop.roles import Action

ROWS = 40
State = BinCount.State
DIFFERING = (State.TO_APPROVE, State.DIFFERS)
OVER = tuple(state for state in State if state not in BinCount.OPEN_STATES)


@page(see=Action.READ)
def counts_page(request: PageRequest, site: Site) -> HttpResponse:
    context = {
        "to_count": [(count, _part_of(request, count)) for count in to_count(site)],
        "differing": counts(site, states=DIFFERING),
        "due": schedule(site, at=timezone.now()),
    }
    return render(request, "inventory/counts.html", context)


def _part_of(request: PageRequest, count: BinCount) -> str:
    """What the person who looks has to do with a count: "counting" or "counted last", else ""."""
    tallies = list(count.tallies.all())
    if any(tally.user_id == request.user.pk and not tally.keyed_at for tally in tallies):
        return "counting"
    return "counted last" if _counted_last(tallies) == request.user.pk else ""


@page(see=Action.COUNT, do=Action.COUNT)
def open_counts_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    due = schedule(site, at=timezone.now(), most=MOST_PLACES)
    form = OpenCountsForm(posted(request), site=site)
    if request.method == "POST" and refusal is None and form.is_valid():
        keyed = form.cleaned_data
        opened = open_counts(
            site=site,
            actor=request.actor,
            at=timezone.now(),
            places=keyed["places"],
            why=keyed["why"],
            turns={place: turn.why for place, turn in due},
        )
        return done(request, f"To be counted: {counted(len(opened), 'bin')}.", "counts", site.code)
    refusal = form.take(refusal)
    context = {"form": form, "due": due, "others": _others(form, due), "refusal": refusal}
    return render(request, "inventory/open_counts.html", context, status=400 if form.errors else 200)


def _others(form: OpenCountsForm, due: list[Any]) -> list[Any]:
    shown = {place.pk for place, _ in due}
    return [place for place in form.fields["places"].queryset if place.pk not in shown]


@page(do=Action.COUNT, refused_on=bin_page)
def count_bin_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    place = get_object_or_404(OpenCountsForm(site=site).fields["places"].queryset, pk=pk)
    (count,) = open_counts(site=site, actor=request.actor, at=timezone.now(), places=[place])
    return done(request, f"{place} is to be counted.", "count", site.code, count.pk)


@page(see=Action.READ, do=Action.COUNT)
def count_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    count = _count(site, pk)
    form = _key_form(request, count)
    if request.method == "POST" and refusal is None:
        if form is None:
            return _keyed_before(request, count)
        if form.is_valid():
            at = timezone.now()
            with once(form.cleaned_data["once"], at) as first:
                if first:
                    count = key_count(count=count, actor=request.actor, at=at, found=form.found())
            return _keyed(request, count, first)
    refusal = form.take(refusal) if form is not None else refusal
    tallies = list(count.tallies.order_by("keyed_at", "started_at", "id"))
    context = {
        "count": count,
        "form": form,
        "refusal": refusal,
        "tallies": [tally for tally in tallies if tally.keyed_at],
        "counting": [tally for tally in tallies if not tally.keyed_at],
        "counted_last": _counted_last(tallies) == request.user.pk,
        "undone_by": undone_among([count.movement_id]).get(count.movement_id) if count.movement_id else None,
        "lots": sorted(outcome_of(count), key=lambda lot: not lot.difference),
    }
    return render(request, "inventory/count.html", context, status=400 if form and form.errors else 200)


def _key_form(request: PageRequest, count: BinCount) -> KeyCountForm | None:
    """The blind sheet of the person who counts; None for whoever does not. Asked for another line it comes
    back unchecked, with what is keyed in so far."""
    sheet = sheet_of(count, request.user)
    if sheet is None:
        return None
    text = request.POST.get("extra", "")
    extra = int(text) if text.isascii() and text.isdigit() and len(text) < 3 else FIRST_EXTRA
    if "add_line" in request.POST:
        extra = min(extra + 1, MOST_EXTRA)
        return KeyCountForm(sheet=sheet, extra=extra, initial=request.POST.dict())
    return KeyCountForm(posted(request), sheet=sheet, extra=min(extra, MOST_EXTRA))


def _counted_last(tallies: list[Any]) -> int | None:
    keyed = [(tally.keyed_at, tally.pk, tally.user_id) for tally in tallies if tally.keyed_at]
    return max(keyed)[2] if keyed else None


def _keyed_before(request: PageRequest, count: BinCount) -> HttpResponse:
    """A second tap on the sheet is answered as the first; without a sheet nothing is keyed in."""
    form = OnceForm(request.POST)
    if form.is_valid() and UsedForm.objects.filter(pk=form.cleaned_data["once"]).exists():
        return _keyed(request, count, False)
    raise WrongState(f"You are not counting {count.place.code}: begin, look into it, then key in.")


def _keyed(request: PageRequest, count: BinCount, first: bool) -> HttpResponse:
    what = {
        State.AGREES: "It agrees with the books.",
        State.AGAIN: "Now somebody else counts it again.",
    }.get(count.state, "Two have found the same: it differs from the books.")
    return done(request, said(first, f"{count.place.code} is keyed in. {what}"), "counts", count.site.code)


@page(do=Action.COUNT, refused_on=count_page)
def begin_count_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    count = _count(site, pk)
    begin_count(count=count, actor=request.actor, at=timezone.now())
    return done(request, f"You are counting {count.place.code}.", "count", site.code, pk)


@page(do=Action.APPROVE_COUNT, refused_on=count_page)
def approve_count_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    count = _as_seen(request, site, pk)
    approve_count(count=count, actor=request.actor, at=timezone.now(), note=_note(request))
    return done(request, f"{count} is approved and can be posted.", "count", site.code, pk)


@page(do=Action.POST_COUNT, refused_on=count_page)
def post_count_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    count = _as_seen(request, site, pk)
    post_count(count=count, actor=request.actor, at=timezone.now(), note=_note(request))
    words = f"{count} is posted: the books say what is in {count.place.code}."
    return done(request, words, "count", site.code, pk)


@page(do=Action.POST_COUNT, refused_on=count_page)
def reject_count_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    count, anew = _as_seen(request, site, pk), "count_anew" in request.POST
    reject_count(count=count, actor=request.actor, at=timezone.now(), note=_note(request), count_anew=anew)
    after = f"{count.place.code} is to be counted anew." if anew else "The books stay as they are."
    return done(request, f"{count} is rejected. {after}", "counts", site.code)


@page(do=Action.POST_COUNT, refused_on=count_page)
def cancel_count_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    count = _as_seen(request, site, pk)
    cancel_count(count=count, actor=request.actor, at=timezone.now(), note=_note(request))
    return done(request, f"{count} is called off.", "counts", site.code)


@page(see=Action.READ)
def past_counts_page(request: PageRequest, site: Site) -> HttpResponse:
    state, place = request.GET.get("state", ""), request.GET.get("place", "").strip()
    rows = counts(site, states=[state] if state in OVER else OVER)
    if place:
        rows = rows.filter(place__code__iexact=place)
    leaf = Paginator(rows, ROWS).get_page(request.GET.get("page"))
    context = {
        "counts": leaf,
        "undone": undone_among(count.movement_id for count in leaf if count.movement_id),
        "states": [(value, State(value).label) for value in OVER],
        "state": state,
        "place": place,
    }
    return render(request, "inventory/past_counts.html", context)


def _count(site: Site, pk: UUID) -> BinCount:
    rows = BinCount.objects.select_related("site", "place__site", "place__family", "movement")
    return get_object_or_404(rows, site=site, pk=pk)


def _as_seen(request: PageRequest, site: Site, pk: UUID) -> BinCount:
    """The count, where it still is what the page with the button showed."""
    count = _count(site, pk)
    version = posted_version(request.POST)
    if version is not None:
        must_be_current(count, version)
    return count


def _note(request: PageRequest) -> str:
    return request.POST.get("note", "").strip()
