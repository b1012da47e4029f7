"""Everything that happened to a bin, to a size, or by a person; on a page and as a file."""

from dataclasses import dataclass
from uuid import UUID

from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone

from inventory.models import Place, PlaceKind, ShimFamily
from inventory.selectors.history_tables import STORY, story_cells
from inventory.selectors.people import people_of
from inventory.selectors.stories import (
    Story,
    story_of_bin,
    story_of_person,
    story_of_size,
)
from inventory.table_files import table_file
from inventory.templatetags.shims import mm
from inventory.ui.history_forms import StoryForm
from shop.errors import Invalid
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 40
# What is older is asked for by its dates: a page costs as much as all pages before it together.
MOST_PAGES = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """Whose story it is: in words, for a file's name; its own page, and the story's without an ending."""

    words: str
    name: str
    address: str
    here: str
    story: Story


@page(see=Action.READ)
def story_page(request: PageRequest, site: Site, of: str, key: str) -> HttpResponse:
    return draw_story(request, _about(site, of, key))


@page(see=Action.READ)
def story_file(request: PageRequest, site: Site, of: str, key: str, ending: str) -> HttpResponseBase:
    return story_table(request, _about(site, of, key), ending)


def draw_story(request: PageRequest, about: About) -> HttpResponse:
    """The page of a story, filtered as the query says."""
    form = StoryForm(request.GET)
    number = _number(request.GET.get("page", "1"))
    found = []
    if form.is_valid():
        found = about.story.page(form.asked(), limit=ROWS + 1, offset=(number - 1) * ROWS)
    more = len(found) > ROWS
    context = {
        "about": about,
        "form": form,
        "happenings": found[:ROWS],
        "before": number - 1,
        "further": number + 1 if more and number < MOST_PAGES else None,
        "older": more and number == MOST_PAGES,
        "asked": request.GET.urlencode(),
    }
    return render(request, "inventory/story.html", context, status=400 if form.errors else 200)


def story_table(request: PageRequest, about: About, ending: str) -> HttpResponseBase:
    """The story as a file. Raises Invalid for dates that make no sense."""
    form = StoryForm(request.GET)
    if not form.is_valid():
        raise Invalid("What is asked for makes no sense: look at the dates.")
    rows = story_cells(about.story.whole(form.asked()))
    return table_file(f"history-{about.name}", "History", ending, STORY, rows)


def _number(text: str) -> int:
    return min(max(int(text), 1), MOST_PAGES) if text.isascii() and text.isdigit() and len(text) < 6 else 1


def _about(site: Site, of: str, key: str) -> About:
    """Raises Http404 for what is not this site's, and for what there is none of."""
    tell = {"bin": _bin, "size": _size, "person": _person}.get(of)
    if tell is None:
        raise Http404
    return tell(site, key)


def _bin(site: Site, key: str) -> About:
    places = Place.objects.select_related("site").filter(kind=PlaceKind.BIN)
    place = get_object_or_404(places, site=site, pk=_id(key))
    return About(
        words=f"Bin {place}",
        name=f"bin-{place.pk}",
        address=reverse("bin", args=[site.code, place.pk]),
        here=reverse("story", args=[site.code, "bin", place.pk]),
        story=story_of_bin(place, at=timezone.now()),
    )


def _size(site: Site, key: str) -> About:
    code, _, figure = key.rpartition("-")
    family = get_object_or_404(ShimFamily, code=code)
    if not (figure.isascii() and figure.isdigit() and len(figure) < 12):
        raise Http404
    size_nm = int(figure)
    if size_nm not in family.sizes_nm():
        raise Http404
    return About(
        words=f"{mm(size_nm)} mm of {family}",
        name=f"{family.code}-{size_nm}",
        address=reverse("family", args=[site.code, family.code]),
        here=reverse("story", args=[site.code, "size", key]),
        story=story_of_size(site, family, size_nm, at=timezone.now()),
    )


def _person(site: Site, key: str) -> About:
    user = get_object_or_404(people_of(site), pk=_id(key))
    return About(
        words=str(user),
        name=f"person-{user.pk}",
        address=reverse("history", args=[site.code]),
        here=reverse("story", args=[site.code, "person", user.pk]),
        story=story_of_person(site, user),
    )


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise Http404 from None
