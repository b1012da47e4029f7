"""What counting tells a manager: which bins are due, and what the differences are worth."""

from datetime import datetime
from typing import Any

from rest_framework import serializers

from api import queries
from api.counts import CountedLotSerializer
from api.kinds import shows
from api.lookups import site_of
from api.queries import QueryParameter
from api.stock import SITE
from api.views import ApiView, Call
from api.words import COUNT_PACES, COUNT_STATES
from inventory.selectors.counting import schedule
from inventory.selectors.variance import VarianceReport, variance_report
from inventory.services.counting import MOST_PLACES
from shop.models import Site
from shop.roles import Action

MOST_LINES = 1_000


class DueBinSerializer(serializers.Serializer):
    bin = serializers.CharField(source="code")
    pace = serializers.ChoiceField(choices=COUNT_PACES)
    troubled = serializers.BooleanField(help_text="One of its last two counts differed from the books.")
    due_at = serializers.DateTimeField()
    why = serializers.CharField()


class CountsDueSerializer(serializers.Serializer):
    """The bins whose turn it is, the troubled and the fast ones first; those under count are left out."""

    site = serializers.CharField()
    due = DueBinSerializer(many=True)


class CountsDue(ApiView):
    answer = CountsDueSerializer

    @shows(
        Action.READ,
        "counts_due",
        "Which bins of a site are to be counted next, and why.",
        query=(
            SITE,
            queries.whole(
                "most",
                "So many at the most; left out, what the shop's setting leaves for the day.",
                least=1,
                most=MOST_PLACES,
            ),
        ),
    )
    def get(self, call: Call) -> dict[str, Any]:
        site = _site(call)
        due = schedule(site, at=call.at, most=call.query.get("most"))
        return {"site": site.code, "due": [entry for _, entry in due]}


class VarianceLineSerializer(CountedLotSerializer):
    count = serializers.UUIDField(source="count.pk")
    bin = serializers.CharField(source="place.code")
    state = serializers.ChoiceField(choices=COUNT_STATES, source="count.state")
    currency = serializers.CharField(source="count.currency", allow_blank=True)
    undone = serializers.BooleanField(
        help_text="Whether it was posted and undone since: then it is in no total."
    )


class TotalSerializer(serializers.Serializer):
    """lost: below zero, or 0. gross: gained and lost alike."""

    currency = serializers.CharField()
    gained = serializers.DecimalField(max_digits=22, decimal_places=6)
    lost = serializers.DecimalField(max_digits=22, decimal_places=6)
    net = serializers.DecimalField(max_digits=22, decimal_places=6)
    gross = serializers.DecimalField(max_digits=22, decimal_places=6)


class VarianceGroupSerializer(serializers.Serializer):
    """surplus, missing: shims too many and too few. unvalued: lines that are in no total."""

    code = serializers.CharField(source="of.code")
    lines = serializers.IntegerField()
    surplus = serializers.IntegerField()
    missing = serializers.IntegerField()
    unvalued = serializers.IntegerField()
    totals = TotalSerializer(many=True)


class VarianceSerializer(serializers.Serializer):
    """counted: counts that came to an end. differing: counts that two persons found to differ.
    lines: the newest; the totals are of all."""

    site = serializers.CharField()
    since = serializers.DateTimeField(allow_null=True)
    until = serializers.DateTimeField(allow_null=True)
    counted = serializers.IntegerField()
    differing = serializers.IntegerField()
    unvalued = serializers.IntegerField()
    totals = TotalSerializer(many=True)
    by_bin = VarianceGroupSerializer(many=True)
    by_family = VarianceGroupSerializer(many=True)
    lines = VarianceLineSerializer(many=True)
    lines_left_out = serializers.IntegerField()


PERIOD: tuple[QueryParameter, ...] = (
    queries.moment("since", "Only counts that were asked for then or later."),
    queries.moment("until", "Only counts that were asked for before."),
)


class CountVariance(ApiView):
    answer = VarianceSerializer

    @shows(
        Action.READ,
        "count_variance",
        "What counts of a site found differing from the books, in shims and in money.",
        query=(SITE, *PERIOD),
    )
    def get(self, call: Call) -> dict[str, Any]:
        site, since, until = _site(call), call.query.get("since"), call.query.get("until")
        return _told(site, since, until, variance_report(site, since=since, until=until))


def _told(
    site: Site, since: datetime | None, until: datetime | None, report: VarianceReport
) -> dict[str, Any]:
    return {
        "site": site.code,
        "since": since,
        "until": until,
        "counted": report.counted,
        "differing": report.differing,
        "unvalued": report.unvalued,
        "totals": report.totals,
        "by_bin": report.by_bin,
        "by_family": report.by_family,
        "lines": report.lines[:MOST_LINES],
        "lines_left_out": max(len(report.lines) - MOST_LINES, 0),
    }


def _site(call: Call) -> Site:
    return site_of(call.actor, call.query.get("site"), "?site")
