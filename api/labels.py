"""Labels to print: sheets of them for bins or trays, single ones for a label printer, packs."""

from collections.abc import Mapping
from typing import Any

from django.http import HttpResponse
from django.urls import reverse

from api import queries
from api.bins import BinView
from api.kinds import files
from api.lookups import not_found, site_of
from api.movements import MOST_QUANTITY
from api.order_papers import PDF
from api.views import ApiView, Call, OnlyJson
from api.words import PLANNABLE_CONDITIONS
from inventory.compute.lengths import from_nm, plausible_shim
from inventory.labels import MOST_LABELS, Label, Sheet, render_sheet, render_single
from inventory.models import Condition, Place, PlaceKind
from inventory.selectors.labels import (
    Address,
    bin_labels,
    labels_of,
    no_such_pack,
    pack_label,
    too_many,
    tray_labels,
)
from shop.errors import FieldError, Invalid, WrongState
from shop.models import Site
from shop.roles import Action

BINS, TRAYS = "bins", "trays"
MOST_SKIPPED = max(sheet.format.per_page for sheet in Sheet) - 1
OF_A_SHEET = ("of", "cabinet", "sheet", "skip")


class OrAPdf(OnlyJson):
    besides = frozenset({PDF})


class Labels(ApiView):
    content_negotiation_class = OrAPdf

    @files(
        Action.READ,
        "labels",
        "Labels as PDF: a sheet for each bin or tray in use, or one alone for a label printer.",
        media_types=(PDF,),
        query=(
            queries.text("site", "Code of the site; left out where the credential sees only one.", most=20),
            queries.text("place", "Only the bin or tray of this code, on paper of its own size.", most=20),
            queries.choice("of", "What a sheet is for; left out: bins.", (BINS, TRAYS)),
            queries.text("cabinet", "Only the bins of this cabinet.", most=20),
            queries.choice("sheet", f"Left out: {Sheet.A4_24}.", tuple(Sheet)),
            queries.whole(
                "skip", "So many labels of the first sheet are used already.", least=0, most=MOST_SKIPPED
            ),
        ),
    )
    def get(self, call: Call) -> HttpResponse:
        query = call.query
        site = site_of(call.actor, query.get("site"), "?site")
        address = _address(self, site)
        if "place" in query:
            if besides := [name for name in OF_A_SHEET if name in query]:
                words = "is about a sheet; one label alone has none"
                raise Invalid(
                    "Ask for one place or for a sheet, not for both.",
                    code="invalid-query",
                    errors=[FieldError(f"?{name}", words) for name in besides],
                )
            (label,) = labels_of([_place(site, query["place"])], address)
            return _pdf(render_single(label), f"label-{query['place']}")
        sheet = Sheet(query.get("sheet", Sheet.A4_24))
        skip = _skipped(sheet, query.get("skip", 0))
        return _pdf(render_sheet(_sheet_of(site, query, address), sheet, skip=skip), f"labels-{site.code}")


class PackLabel(BinView):
    content_negotiation_class = OrAPdf

    @files(
        Action.READ,
        "pack_label",
        "The label of a pack of equal shims that belongs into a bin in use, one or several alike, as PDF.",
        media_types=(PDF,),
        goes_by_state=True,
        query=(
            queries.length("thickness", "Needed, with its unit: 2.65mm.", plausible=plausible_shim),
            queries.whole("quantity", "How many are in it; left out: 1.", least=1, most=MOST_QUANTITY),
            queries.choice("condition", "Left out: new.", PLANNABLE_CONDITIONS),
            queries.whole(
                "labels",
                f"How many of it, {MOST_LABELS} at once at the most; left out: 1.",
                least=1,
                most=MOST_LABELS,
            ),
            queries.choice(
                "sheet", "Left out: each on paper of its own size, for a label printer.", tuple(Sheet)
            ),
            queries.whole(
                "skip", "So many labels of the first sheet are used already.", least=0, most=MOST_SKIPPED
            ),
        ),
    )
    def get(self, call: Call, **path: Any) -> HttpResponse:
        query = call.query
        place = self.find(call.actor, **path)
        if place.retired_at is not None:
            raise WrongState(f"{place.code} is out of use: bring it back into use first.")
        thickness_nm, condition = _thickness(query), Condition(query.get("condition", Condition.NEW))
        if words := no_such_pack(place, from_nm(thickness_nm), condition):
            raise Invalid(
                f"There is no such shim. {words}",
                code="invalid-query",
                errors=[FieldError("?thickness", words)],
            )
        label = pack_label(
            place,
            thickness_nm=thickness_nm,
            quantity=query.get("quantity", 1),
            condition=condition.label.lower(),
            address=_address(self, place.site),
        )
        copies = query.get("labels", 1)
        if "sheet" in query:
            sheet = Sheet(query["sheet"])
            skip = _skipped(sheet, query.get("skip", 0))
            return _pdf(render_sheet([label] * copies, sheet, skip=skip), f"pack-{place.code}")
        if "skip" in query:
            raise Invalid(
                "Only a sheet has labels that are used already.",
                code="invalid-query",
                errors=[FieldError("?skip", "is about a sheet; say which one")],
            )
        return _pdf(render_single(label, copies=copies), f"pack-{place.code}")


def _thickness(query: Mapping[str, Any]) -> int:
    if "thickness" not in query:
        raise Invalid(
            "Say how thick the shims of the pack are.",
            code="invalid-query",
            errors=[FieldError("?thickness", "is needed, with its unit: 2.65mm")],
        )
    found: int = query["thickness"]
    return found


def _place(site: Site, code: str) -> Place:
    places = Place.objects.filter(site=site, kind__in=[PlaceKind.BIN, PlaceKind.TRAY], code=code)
    found = places.select_related("family").order_by("kind", "pk").first()
    if found is None:
        raise not_found("?place")
    return found


def _skipped(sheet: Sheet, skip: int) -> int:
    room = sheet.format.per_page
    if skip >= room:
        words = f"must be less than {room}: the sheet has so many labels"
        raise Invalid(
            f"The sheet has {room} labels.", code="invalid-query", errors=[FieldError("?skip", words)]
        )
    return skip


def _sheet_of(site: Site, query: Mapping[str, Any], address: Address) -> list[Label]:
    cabinet = query.get("cabinet")
    if query.get("of") == TRAYS:
        if cabinet is not None:
            words = "is about bins; trays are in no cabinet"
            raise Invalid(
                "Trays are in no cabinet.", code="invalid-query", errors=[FieldError("?cabinet", words)]
            )
        found = tray_labels(site, address)
    else:
        found = bin_labels(site, address, cabinet=cabinet)
    if not found:
        raise not_found("?of" if cabinet is None else "?cabinet")
    if words := too_many(found, of_all_bins=query.get("of") != TRAYS and cabinet is None):
        raise Invalid(words, code="invalid-query", errors=[FieldError("?cabinet", words)])
    return found


def _address(view: ApiView, site: Site) -> Address:
    def address(place: Place) -> str:
        return view.request.build_absolute_uri(reverse("place", args=[site.code, place.pk]))

    return address


def _pdf(data: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(data, content_type=PDF)
    safe = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "-" for sign in name)
    answer["Content-Disposition"] = f'attachment; filename="{safe}.pdf"'
    return answer
