"""What the labels of a site's bins and trays say."""

from collections.abc import Callable, Iterable

from inventory.compute.lengths import Length, LengthError, show
from inventory.compute.sizes import check_new_shim, check_used_shim
from inventory.labels import MOST_LABELS, Label
from inventory.models import Condition, Place, PlaceKind
from inventory.selectors.places import bins
from shop.models import Site

Address = Callable[[Place], str]


def bin_labels(site: Site, address: Address, *, cabinet: str | None = None) -> list[Label]:
    """A label per bin in use, in the order of the cabinets; of one cabinet where it is named."""
    places = bins(site)
    if cabinet is not None:
        places = places.filter(cabinet=cabinet)
    return labels_of(places, address)


def tray_labels(site: Site, address: Address) -> list[Label]:
    """A label per tray in use."""
    trays = Place.objects.filter(site=site, kind=PlaceKind.TRAY, retired_at=None)
    return labels_of(trays.order_by("code"), address)


def labels_of(places: Iterable[Place], address: Address) -> list[Label]:
    """The labels of these bins and trays. `address` gives the page that a label's code opens."""
    return [
        _tray(place, address) if place.kind == PlaceKind.TRAY else _bin(place, address) for place in places
    ]


def pack_label(place: Place, *, thickness_nm: int, quantity: int, condition: str, address: Address) -> Label:
    """The label of a pack of equal shims that belongs into a bin."""
    return Label(
        headline=show(thickness_nm),
        unit="mm",
        code=f"{quantity} × {condition}",
        family=place.family.name if place.family else "",
        detail=f"Bin {place.code}",
        url=address(place),
    )


def no_such_pack(place: Place, thickness: Length, condition: str) -> str:
    """What to say of shims that cannot be of the family that a bin is kept for; empty where they can."""
    if place.family is None:
        return ""
    check = check_new_shim if condition == Condition.NEW else check_used_shim
    try:
        check(place.family.range, thickness)
    except LengthError as error:
        return error.message
    return ""


def too_many(labels: list[Label], *, of_all_bins: bool) -> str:
    """What to say where these are more than are printed at once; empty where they are not."""
    if len(labels) <= MOST_LABELS:
        return ""
    words = f"These are {len(labels):,} labels, and {MOST_LABELS:,} is the most at once"
    if of_all_bins:
        return f"{words}: take one cabinet at a time."
    return f"{words}: print those that you need one by one, each from its own page."


def cabinets(site: Site) -> list[str]:
    """The names of the site's cabinets, sorted."""
    return sorted(set(bins(site).values_list("cabinet", flat=True)))


def _bin(place: Place, address: Address) -> Label:
    where = [f"Cabinet {place.cabinet}"] if place.cabinet else []
    if place.row is not None and place.column is not None:
        where += [f"row {place.row}", f"column {place.column}"]
    return Label(
        headline=show(place.size_nm) if place.size_nm is not None else place.code,
        unit="mm" if place.size_nm is not None else "",
        code=place.code if place.size_nm is not None else "Mixed sizes",
        family=place.family.name if place.family else "",
        detail=", ".join(where),
        url=address(place),
    )


def _tray(place: Place, address: Address) -> Label:
    return Label(headline=place.code, code="Tray", detail="One job's shims", url=address(place))
