"""Histories as files to keep, with the columns that the pages write: CSV or XLSX."""

from typing import Any

from django.http import HttpResponseBase

from api import queries
from api.bins import BinView
from api.exports import OrATable, tables
from api.families import FamilyView
from api.history import OF_LINES, asked_lines
from api.jobs import JobView
from api.journeys import OF_JOURNEYS, asked_journeys, family_in
from api.lookups import site_of
from api.stories import BY_A_PERSON, FILTERS, OF_A_FAMILY, asked_family, asked_of, asked_person
from api.views import ApiView, Call
from inventory.selectors.as_of import moment_at, stock_as_of
from inventory.selectors.happenings import Story
from inventory.selectors.history import history_rows
from inventory.selectors.history_tables import (
    HISTORY,
    JOURNEYS,
    STORY,
    THEN,
    history_cells,
    journey_cells,
    story_cells,
    then_cells,
)
from inventory.selectors.stories import story_of_bin, story_of_job
from inventory.table_files import table_file
from shop.errors import FieldError, Invalid


class HistoryFile(ApiView):
    content_negotiation_class = OrATable

    @tables(
        "history_file",
        "Everything that went through the books of one site, line by line, newest first, as a file.",
        query=OF_LINES,
    )
    def get(self, call: Call) -> HttpResponseBase:
        site, lines = asked_lines(call)
        rows = history_cells(history_rows(lines))
        return table_file(f"history-{site.code}", "History", _ending(call), HISTORY, rows)


class BinHistoryFile(BinView):
    content_negotiation_class = OrATable

    @tables(
        "bin_history_file",
        "What went through a bin, its counts and holds, and what was done to it, as a file.",
        query=FILTERS,
    )
    def get(self, call: Call, **path: Any) -> HttpResponseBase:
        place = self.find(call.actor, **path)
        return _story(call, f"bin-{place.pk}", story_of_bin(place, at=call.at))


class JobHistoryFile(JobView):
    content_negotiation_class = OrATable

    @tables(
        "job_history_file",
        "What a job did to the stock: its movements, holds and needs, as a file.",
        query=FILTERS,
    )
    def get(self, call: Call, **path: Any) -> HttpResponseBase:
        job = self.find(call.actor, **path)
        return _story(call, f"job-{job.number}", story_of_job(job.site, job.pk, at=call.at))


class FamilyHistoryFile(FamilyView):
    content_negotiation_class = OrATable

    @tables(
        "family_history_file",
        "What happened at a site to the shims of a family, or to those of one size, as a file.",
        query=OF_A_FAMILY,
    )
    def get(self, call: Call, **path: Any) -> HttpResponseBase:
        family = self.find(call.actor, **path)
        site, story = asked_family(call, family)
        return _story(call, f"{family.code}-{site.code}", story)


class PersonHistoryFile(ApiView):
    content_negotiation_class = OrATable

    @tables(
        "person_history_file",
        "What a person did to the stock of a site, themselves or by a key in their name, as a file.",
        query=BY_A_PERSON,
    )
    def get(self, call: Call) -> HttpResponseBase:
        person, story = asked_person(call)
        return _story(call, f"person-{person.pk}", story)


class JourneysFile(ApiView):
    content_negotiation_class = OrATable

    @tables(
        "journeys_file",
        "Used shims that went into engines of one site, and where they came from, as a file.",
        query=OF_JOURNEYS,
    )
    def get(self, call: Call) -> HttpResponseBase:
        site, shims = asked_journeys(call)
        return table_file(f"journeys-{site.code}", "Journeys", _ending(call), JOURNEYS, journey_cells(shims))


class StockFile(ApiView):
    content_negotiation_class = OrATable

    @tables(
        "stock_file",
        "What lay where in one site at a moment, trays and transit included, as a file.",
        query=(
            queries.text("site", "Code of the site; left out where the credential sees only one.", most=20),
            queries.text("family", "Only of the shim family of this code.", most=20),
            queries.instant("as_of", "As it was then; left out, as it is."),
        ),
    )
    def get(self, call: Call) -> HttpResponseBase:
        then = call.query.get("as_of", call.at)
        if then > call.at:
            raise Invalid(
                "Nobody knows the stock of a moment that is still to come.",
                code="invalid-query",
                errors=[FieldError("?as_of", "must not lie in the future")],
            )
        site = site_of(call.actor, call.query.get("site"), "?site")
        lots = stock_as_of(moment_at(site, then), family=family_in(call.query))
        return table_file(
            f"stock-{site.code}-{then:%Y%m%d-%H%M}", "Stock", _ending(call), THEN, then_cells(lots)
        )


def _story(call: Call, name: str, story: Story) -> HttpResponseBase:
    rows = story_cells(story.whole(asked_of(call.query)))
    return table_file(f"history-{name}", "History", _ending(call), STORY, rows)


def _ending(call: Call) -> str:
    ending: str = call.query.get("format", "csv")
    return ending
