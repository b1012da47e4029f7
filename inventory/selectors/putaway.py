"""Where shims should be put: the bins proposed for a lot, and for everything that waits to be put away."""

import uuid
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from inventory.compute.putaway import BinView, bins_for, propose_bins
from inventory.compute.sizes import nearest_size
from inventory.models import Balance, Condition, Place, PlaceKind, ShimFamily
from inventory.selectors.places import bins
from inventory.selectors.stock import content
from shop.models import Site

FREE_SHOWN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedBin:
    """So many shims for one bin, and why that one."""

    place: Place
    quantity: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed:
    """Where a lot should go, the best bin first; `left` shims find no room in any bin."""

    bins: Sequence[ProposedBin]
    left: int

    @property
    def first(self) -> Place | None:
        """The bin to propose where only one is asked for."""
        return self.bins[0].place if self.bins else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ToPutAway:
    """A lot that waits in receiving or on the bench, with where it should go."""

    lot: Balance
    proposed: Proposed


class BinFinder:
    """A site's bins and what is in them, read once; what it proposes it takes to be put there."""

    def __init__(self, site: Site) -> None:
        self._places = {place.code: place for place in bins(site)}
        self._views = {view.code: view for view in _views(site, list(self._places.values()))}

    def propose(self, family: ShimFamily, thickness_nm: int, quantity: int) -> Proposed:
        """Where so many shims of one thickness should go."""
        grade_nm = nearest_size(family.range, thickness_nm)
        found = propose_bins(family.code, grade_nm, quantity, self._views.values())
        for share in found.shares:
            view = self._views[share.code]
            self._views[share.code] = replace(
                view,
                content=view.content + share.quantity,
                grades=view.grades | {(family.code, grade_nm)},
            )
        return Proposed(
            bins=[
                ProposedBin(place=self._places[share.code], quantity=share.quantity, why=share.why)
                for share in found.shares
            ],
            left=found.left,
        )

    def belonging(self, family: ShimFamily, thickness_nm: int) -> list[ProposedBin]:
        """The bins to choose from for one thickness, the best first: its own, full or not, those that hold
        it, and the nearest free ones. `quantity` is the room that is left, one for no limit."""
        found = bins_for(
            family.code, nearest_size(family.range, thickness_nm), self._views.values(), FREE_SHOWN
        )
        return [
            ProposedBin(
                place=self._places[view.code],
                quantity=1 if view.room is None else view.room,
                why=why if view.room is None or view.room else f"{why}, full",
            )
            for view, why in found
        ]


def proposed_for(site: Site, family: ShimFamily, thickness_nm: int, quantity: int = 1) -> Proposed:
    """Where so many shims of one thickness should go at a site."""
    return BinFinder(site).propose(family, thickness_nm, quantity)


def to_put_away(site: Site, kind: PlaceKind = PlaceKind.RECEIVING) -> list[ToPutAway]:
    """What waits to be put into bins, lot by lot; each proposal reckons with those before it. Shims that are
    not measured are left out: they go nowhere before they are."""
    finder = BinFinder(site)
    return [
        ToPutAway(lot=lot, proposed=finder.propose(lot.family, lot.thickness_nm, lot.on_hand))
        for lot in content(site, kind).exclude(condition=Condition.UNMEASURED)
    ]


def _views(site: Site, places: Sequence[Place]) -> list[BinView]:
    filled: dict[uuid.UUID, int] = defaultdict(int)
    grades: dict[uuid.UUID, set[tuple[str, int]]] = defaultdict(set)
    # Bare figures: a site has thousands of lots, and an inspection asks for one bin.
    lots = Balance.objects.filter(site=site, place__kind=PlaceKind.BIN, on_hand__gt=0)
    rows = lots.values_list("place_id", "family_id", "thickness_nm", "on_hand")
    families = {family.pk: (family.code, family.range) for family in ShimFamily.objects.all()}
    for place_id, family_id, thickness_nm, on_hand in rows:
        code, made = families[family_id]
        filled[place_id] += on_hand
        grades[place_id].add((code, nearest_size(made, thickness_nm)))
    return [
        BinView(
            code=place.code,
            cabinet=place.cabinet,
            row=place.row,
            column=place.column,
            family=place.family.code if place.family else None,
            size_nm=place.size_nm,
            capacity=place.capacity,
            content=filled[place.pk],
            grades=frozenset(grades[place.pk]),
        )
        for place in places
    ]
