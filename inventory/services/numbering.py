"""Numbers that people call things by: one row of numbers per site and kind of thing."""

from typing import Any

from django.db.models import Max, Model, QuerySet

from shop.models import Site


def next_number(site: Site, rows: QuerySet[Any, Model]) -> int:
    """The number after the highest in `rows`, those of this site.

    Call first in a write transaction: the site's row stays locked to its end, so that two who ask at once
    do not get the same number.
    """
    # NO KEY: whoever books a movement meanwhile refers to this row and need not wait.
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)
    return (rows.aggregate(last=Max("number"))["last"] or 0) + 1
