"""What to stock: what the drawers should hold, family by family, and keeping it so."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import ShimFamily
from inventory.selectors.mix import MixRow, stock_mix
from inventory.services.minimums import set_minimums_of_rows
from inventory.services.texts import counted
from inventory.ui.mix_forms import AskForm, KeepForm
from shop.conf import conf
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

# The picture is so many units high.
PICTURE_HEIGHT = 84


@dataclass(slots=True)
class FamilyMix:
    """A family at a glance: shims on hand, kept today and proposed; sizes whose number would change."""

    family: ShimFamily
    on_hand: int = 0
    minimum: int = 0
    proposed: int = 0
    changes: int = 0
    beyond: list[MixRow] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One size drawn: bars for what lies there and what is proposed, a tick at what is kept today."""

    row: MixRow
    on_hand_height: float
    proposed_height: float
    minimum_y: float | None

    @property
    def on_hand_y(self) -> float:
        return PICTURE_HEIGHT - self.on_hand_height

    @property
    def proposed_y(self) -> float:
        return PICTURE_HEIGHT - self.proposed_height


@page(see=Action.READ)
def mix_page(request: PageRequest, site: Site) -> HttpResponse:
    ask = _ask(request)
    families: dict[str, FamilyMix] = {}
    for row in stock_mix([site.pk], at=timezone.now(), **ask.asked()):
        entry = families.setdefault(row.family.code, FamilyMix(row.family))
        entry.on_hand += row.on_hand
        entry.minimum += row.minimum or 0
        entry.proposed += row.proposal.proposed
        entry.changes += row.changes
        entry.beyond += [row] if row.proposal.beyond else []
    too_many = [row for entry in families.values() for row in entry.beyond]
    context = {
        "ask": ask,
        "families": list(families.values()),
        "too_many": too_many,
        "worth": sum((row.beyond_worth or Decimal(0) for row in too_many), Decimal(0)),
        "currency": conf.currency,
        "unpriced": sum(row.beyond_worth is None for row in too_many),
    }
    return render(request, "inventory/mix.html", context)


@page(see=Action.READ, do=Action.SET_MINIMUM)
def family_mix_page(
    request: PageRequest, site: Site, family: str, refusal: ShopError | None = None
) -> HttpResponse:
    found = get_object_or_404(ShimFamily, code=family)
    ask, at = _ask(request), timezone.now()
    rows = stock_mix([site.pk], at=at, family_code=found.code, **ask.asked())
    form = KeepForm(posted(request), rows=rows)
    if request.method == "POST" and refusal is None and form.is_valid():
        kept = set_minimums_of_rows(site=site, actor=request.actor, at=at, rows=form.wanted())
        sentence = f"It is set how many to keep of {counted(len(kept), 'size')} of {found}."
        return done(request, sentence, "family_mix", site.code, found.code)
    refusal = form.take(refusal)
    context = {
        "family": found,
        "ask": ask,
        "form": form,
        "refusal": refusal,
        "columns": _columns(rows),
        "height": PICTURE_HEIGHT,
    }
    return render(request, "inventory/family_mix.html", context, status=400 if form.errors else 200)


def _ask(request: PageRequest) -> AskForm:
    asked = all(name in request.GET for name in AskForm.base_fields)
    return AskForm(request.GET if asked else None)


def _columns(rows: Sequence[MixRow]) -> list[Column]:
    tallest = max((max(row.on_hand, row.proposal.proposed, row.minimum or 0) for row in rows), default=0)
    unit = PICTURE_HEIGHT / max(tallest, 1)
    return [
        Column(
            row=row,
            on_hand_height=round(row.on_hand * unit, 2),
            proposed_height=round(row.proposal.proposed * unit, 2),
            minimum_y=None if not row.minimum else round(PICTURE_HEIGHT - row.minimum * unit, 2),
        )
        for row in rows
    ]
