"""How many shims of a size a site wants to have available, and telling when there are fewer.

Running low is a level and not an act: shims are taken, held, counted, moved and sent by many acts, some of
them at once, each of which sees only its own. So the level is looked at, every minute, and what is told and
that it was told are written in one transaction: nothing is missed for good, and nothing told twice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.utils import timezone

from inventory.compute.lengths import show
from inventory.compute.sizes import no_such_size
from inventory.models import ShimFamily, StockMinimum
from inventory.selectors.minimums import to_tell
from inventory.services import news
from inventory.services.many_rows import in_row, number_faults, row_in_words, rows_in_words
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, StaleVersion
from shop.models import Site
from shop.roles import Action

MOST = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class MinimumRow:
    """So many shims of a size are to be kept; 0: it is not watched. seen: how many were kept as far as the
    caller knew; None: whatever it is."""

    family: ShimFamily
    thickness_nm: int
    minimum: int
    seen: int | None = None


@write_transaction
def set_minimum(
    *, site: Site, actor: Actor, at: datetime, family: ShimFamily, thickness_nm: int, minimum: int
) -> StockMinimum:
    """Have it told when fewer than `minimum` of a size are available; 0: no longer. Raises Invalid for a
    size that the family is not made in."""
    actor.must(Action.SET_MINIMUM, site)
    if errors := _faults(MinimumRow(family=family, thickness_nm=thickness_nm, minimum=minimum)):
        details = "; ".join(error.detail for error in errors)
        raise Invalid(f"Nothing was changed: {details}.", errors=errors)
    _lock(site)
    size, _ = StockMinimum.objects.update_or_create(
        site=site,
        family=family,
        thickness_nm=thickness_nm,
        defaults={"minimum": minimum, "changed_at": at, "changed_by": actor.label},
    )
    return size


@write_transaction
def set_minimums(
    *, site: Site, actor: Actor, at: datetime, wanted: Mapping[tuple[ShimFamily, int], int]
) -> None:
    """How many to keep of each (family, size in nanometres), all at once; other sizes stay as they are.

    The sizes are made ones and the numbers 0 to `MOST`: whoever brings a table in has checked each row.
    """
    actor.must(Action.SET_MINIMUM, site)
    _lock(site)
    StockMinimum.objects.bulk_create(
        [
            StockMinimum(
                site=site,
                family=family,
                thickness_nm=nm,
                minimum=minimum,
                changed_at=at,
                changed_by=actor.label,
            )
            for (family, nm), minimum in sorted(wanted.items(), key=lambda size: (size[0][0].pk, size[0][1]))
        ],
        batch_size=1_000,
        update_conflicts=True,
        unique_fields=["site", "family", "thickness_nm"],
        update_fields=["minimum", "changed_at", "changed_by"],
    )


@write_transaction
def set_minimums_of_rows(
    *, site: Site, actor: Actor, at: datetime, rows: Sequence[MinimumRow]
) -> list[StockMinimum]:
    """How many to keep of the sizes of 1 to 500 rows, by the rules of `set_minimum`, all or none; answered in
    the order of the rows. Raises Invalid naming every wrong row, e.g. /rows/3/thickness, a size that stands
    in two rows included, and StaleVersion naming every row whose size is kept otherwise by now than its
    `seen` says, unless it is kept as wanted already."""
    actor.must(Action.SET_MINIMUM, site)
    errors = number_faults(rows)
    twice = _twice(rows)
    for number, row in enumerate(rows if not errors else ()):
        errors += in_row(number, _faults(row) + twice.get(number, []))
    if errors:
        raise Invalid(rows_in_words("Nothing was changed", errors), errors=errors)
    _refuse_stale(site, rows)
    wanted = {(row.family, row.thickness_nm): row.minimum for row in rows}
    set_minimums(site=site, actor=actor, at=at, wanted=wanted)
    found = _kept(site, rows)
    return [found[row.family.pk, row.thickness_nm] for row in rows]


def _lock(site: Site) -> None:
    """Let one person at a time say what a site keeps: a size that nobody set yet has no row to lock."""
    # NO KEY: whoever books a movement meanwhile refers to this row and need not wait.
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)


def _kept(site: Site, rows: Sequence[MinimumRow]) -> dict[tuple[UUID, int], StockMinimum]:
    """What is kept of the sizes of these rows, by family and size."""
    kept = StockMinimum.objects.filter(site=site, family__in={row.family for row in rows})
    kept = kept.filter(thickness_nm__in={row.thickness_nm for row in rows})
    return {(size.family_id, size.thickness_nm): size for size in kept}


def _refuse_stale(site: Site, rows: Sequence[MinimumRow]) -> None:
    if all(row.seen is None for row in rows):
        return
    _lock(site)
    kept = _kept(site, rows)
    errors = []
    for number, row in enumerate(rows):
        size = kept.get((row.family.pk, row.thickness_nm))
        if size is None or row.seen is None or size.minimum in (row.seen, row.minimum):
            continue
        when = f"{timezone.localtime(size.changed_at):%-d %b, %H:%M}"
        words = f"{size.changed_by} set {size.minimum} meanwhile ({when}); it was {row.seen} as you saw it"
        errors.append(FieldError(f"/rows/{number}/minimum", words))
    if errors:
        raise StaleVersion(rows_in_words("Nothing was changed", errors), errors=errors)


def _faults(row: MinimumRow) -> list[FieldError]:
    errors = []
    if not 0 <= row.minimum <= MOST:
        errors.append(FieldError("/minimum", f"must be 0 to {MOST:,}"))
    if words := no_such_size(row.family.range, row.thickness_nm, row.family.name):
        errors.append(FieldError("/thickness", words))
    return errors


def _twice(rows: Sequence[MinimumRow]) -> dict[int, list[FieldError]]:
    """What to say of each row, counted from 0, whose size another row has too."""
    first: dict[tuple[str, int], int] = {}
    said: dict[int, list[FieldError]] = {}
    for number, row in enumerate(rows):
        before = first.setdefault((row.family.code, row.thickness_nm), number)
        if before != number:
            for here, there in ((number, before), (before, number)):
                words = (
                    f"{show(row.thickness_nm)} mm of {row.family.code} stands in {row_in_words(there)} too"
                )
                said.setdefault(here, [FieldError("/thickness", f"{words}; name each size once")])
    return said


def tell_low_stock(*, site: Site, at: datetime) -> int:
    """Tell of the sizes that have run low since the last look; how many. Safe to run twice or at once."""
    found = to_tell(site)
    return sum(_note(size, available, at) for size, available in found)


@write_transaction
def _note(size: StockMinimum, available: int, at: datetime) -> bool:
    """Whether it is told. Of two who look at once, one changes the row."""
    seen = StockMinimum.objects.filter(pk=size.pk, low_since=size.low_since, minimum=size.minimum)
    if available >= size.minimum:
        seen.update(low_since=None)
        return False
    if not seen.update(low_since=at):
        return False
    news.stock_low(size, available, at)
    return True
