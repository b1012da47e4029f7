"""From the names that a request gives to the things that they name.

A thing of a site that the credential does not see is answered like one that does not exist: 404. A family or
another part of the shared catalogue that is not there is a wrong value: 400.
"""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django.db.models import QuerySet

from inventory.models import Inspection, Place, PlaceKind, ShimFamily, Supplier
from jobs.models import EngineType
from shop.actor import Actor
from shop.db import one_or_none
from shop.errors import FieldError, Invalid, NotFound
from shop.models import Site
from shop.roles import Action

NOT_HERE = "There is no such thing here."


def not_found(pointer: str = "") -> NotFound:
    """The one refusal for what is not there and for what is not this credential's to see."""
    errors = [FieldError(pointer, "there is no such thing here")] if pointer else ()
    return NotFound(NOT_HERE, errors=errors)


def sites_of(actor: Actor) -> QuerySet[Site]:
    """The sites that the credential sees."""
    return Site.objects.filter(id__in=list(actor.roles))


def site_of(actor: Actor, code: str | None, pointer: str = "/site") -> Site:
    """The site of this code. It may be left out where the credential sees only one."""
    if code is None:
        known = list(sites_of(actor).order_by("code"))
        if len(known) != 1:
            words = f"is needed, one of {', '.join(one.code for one in known)}" if known else "is needed"
            raise Invalid("Name the site.", errors=[FieldError(pointer, words)])
        return known[0]
    site = one_or_none(sites_of(actor).filter(code=code))
    if site is None:
        raise not_found(pointer)
    return site


def asked_sites(actor: Actor, query: Mapping[str, Any]) -> list[uuid.UUID]:
    """The site that the query names, else every one that the credential sees."""
    if "site" in query:
        return [site_of(actor, query["site"], "?site").pk]
    return list(actor.roles)


def sites_where(actor: Actor, action: Action, sites: Iterable[uuid.UUID]) -> list[uuid.UUID]:
    """Those of the sites at which the credential may do this: what it may not look at is not there for it."""
    return [site.pk for site in Site.objects.filter(pk__in=list(sites)) if actor.may(action, site)]


def one_of(rows: QuerySet[Any], *, lock: bool, **path: Any) -> Any:
    """The one row at this address. Raises NotFound."""
    if lock:
        rows = rows.select_for_update(of=("self",))
    found = one_or_none(rows.filter(**path))
    if found is None:
        raise not_found()
    return found


def inspection_of(actor: Actor, pk: uuid.UUID | None) -> Inspection | None:
    """The inspection that a body names, if any. Raises NotFound."""
    if pk is None:
        return None
    found = Inspection.objects.filter(site__in=list(actor.roles), pk=pk).first()
    if found is None:
        raise not_found("/inspection")
    return found


def families_of(codes: Iterable[tuple[str, str]]) -> dict[str, ShimFamily]:
    """Families by code, from (pointer, code). Raises Invalid naming each code that is none."""
    return _catalogue(ShimFamily.objects.all(), "shim family", codes)


def families_of_rows(rows: Sequence[Mapping[str, Any]]) -> dict[str, ShimFamily]:
    """The families that the `rows` of a bulk write name, by code. Raises Invalid naming each wrong row."""
    return families_of((f"/rows/{number}/family", row["family"]) for number, row in enumerate(rows))


def family_of(code: str, pointer: str = "/family") -> ShimFamily:
    return families_of([(pointer, code)])[code]


def engine_type_of(code: str, pointer: str = "/engine_type") -> EngineType:
    return engine_types_of([(pointer, code)])[code]


def engine_types_of(codes: Iterable[tuple[str, str]]) -> dict[str, EngineType]:
    """Engine types by code, from (pointer, code). Raises Invalid naming each code that is none."""
    return _catalogue(EngineType.objects.select_related("family"), "engine type", codes)


def supplier_of(code: str, pointer: str = "/supplier") -> Supplier:
    return _catalogue(Supplier.objects.all(), "supplier", [(pointer, code)])[code]


def places_of(site: Site, codes: Iterable[tuple[str, str]], kinds: Iterable[PlaceKind]) -> dict[str, Place]:
    """The site's places of these kinds in use by code, from (pointer, code), such as "B07" or "receiving".
    Raises Invalid naming each code that is none."""
    named, wanted = list(codes), list(kinds)
    rows = Place.objects.filter(site=site, kind__in=wanted, retired_at=None)
    found = {place.code: place for place in rows.filter(code__in={code for _, code in named})}
    words = " or ".join(kind.label.lower() for kind in wanted)
    _refuse(
        [
            FieldError(pointer, f"{code} is no {words} of {site.name}")
            for pointer, code in named
            if code not in found
        ]
    )
    return found


def bins_of(site: Site, codes: Iterable[tuple[str, str]]) -> dict[str, Place]:
    """The site's bins in use by code, from (pointer, code). Raises Invalid naming each code that is none, or
    of a bin that is out of use."""
    named = list(codes)
    rows = Place.objects.filter(site=site, kind=PlaceKind.BIN, code__in={code for _, code in named})
    found = {place.code: place for place in rows.order_by()}
    errors = [
        FieldError(
            pointer,
            f"{code} is out of use: bring it back into use, or name another"
            if code in found
            else f"there is no bin {code} at {site.name}",
        )
        for pointer, code in named
        if code not in found or found[code].retired_at is not None
    ]
    _refuse(errors)
    return found


def _catalogue(rows: QuerySet[Any], what: str, codes: Iterable[tuple[str, str]]) -> dict[str, Any]:
    named = list(codes)
    found = {row.code: row for row in rows.filter(code__in={code for _, code in named}).order_by()}
    errors = [
        FieldError(pointer, f"there is no {what} {code}") for pointer, code in named if code not in found
    ]
    _refuse(errors)
    return found


def _refuse(errors: list[FieldError]) -> None:
    if errors:
        words = "; ".join(dict.fromkeys(error.detail for error in errors))
        raise Invalid(f"Some values are wrong: {words}.", errors=errors)
