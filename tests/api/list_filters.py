"""For every filter of every list: which rows it keeps, said in Python about the rows as they are sent.

The walk over all lists (test_lists.py) fails for a filter that is missing here.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from inventory.compute.lengths import parse

CLOSED = ("signed_off", "stopped")
# When what is in the list was done: what `from` and `to` go by.
DONE_AT = {
    "/movements": "at",
    "/history": "at",
    "/history/by-person": "at",
    "/bins/<uuid:id>/history": "at",
    "/jobs/<uuid:id>/history": "at",
    "/shim-families/<slug:code>/history": "at",
    "/inspections": "at",
    "/supplier-returns": "at",
    "/audit-trail": "at",
    "/jobs": "opened_at",
    "/counts": "opened_at",
    "/holds": "created_at",
    "/purchase-lists": "created_at",
    "/transfers": "sent_at",
    "/receipts": "at",
    "/needs": "created_at",
    "/supplier-claims": "opened_at",
    "/webhook-deliveries": "created_at",
    "/imports": "created_at",
    "/shop-plans": "created_at",
    "/purchase-choices": "asked_at",
}
# Another question than the list's own, each with tests of its own: (list, filter) -> where.
OTHER_QUESTIONS = {
    ("/stock", "as_of"): "tests/api/test_history.py",
    ("/history/by-person", "site"): "tests/api/test_stories.py",
    ("/history/by-person", "person"): "tests/api/test_stories.py",
    ("/shim-families/<slug:code>/history", "site"): "tests/api/test_stories.py",
    ("/shim-families/<slug:code>/history", "thickness"): "tests/api/test_stories.py",
    ("/stock", "place_kind"): "tests/api/test_history.py",
    ("/stale", "days"): "tests/api/test_history.py",
    ("/stock-mix", "service_level"): "tests/api/test_stock_mix.py",
    ("/stock-mix", "months"): "tests/api/test_stock_mix.py",
    ("/bins", "state"): "tests/api/test_lists.py",
}


@dataclass(frozen=True)
class Filter:
    """values: what to ask for, given the unfiltered rows; keeps: whether a row stays with that value."""

    values: object
    keeps: object


def nm(length):
    return parse(length["value"], length["unit"]).nm


def time(text):
    return datetime.fromisoformat(text)


def same(name):
    """Rows that have this very value there."""
    return Filter(
        lambda items: {item[name] for item in items} - {None, ""}, lambda item, asked: item[name] == asked
    )


def flag(name, is_so):
    return Filter(lambda items: {"true", "false"}, lambda item, asked: is_so(item) == (asked == "true"))


def before(name):
    def values(items):
        found = [time(item[name]) for item in items if item[name]]
        return {(moment + timedelta(seconds=1)).isoformat() for moment in (found[:1] + found[-1:])}

    return Filter(values, lambda item, asked: bool(item[name]) and time(item[name]) < time(asked))


def moments(name):
    def values(items):
        times = sorted(time(item[name]) for item in items)
        return {moment.isoformat() for moment in (times[0], times[len(times) // 2])}

    return values


def thickness(lots, sign):
    """Rows of which a lot is no thinner (sign 1) or no thicker (-1)."""

    def values(items):
        found = sorted(nm(lot["thickness"]) for item in items for lot in lots(item))
        return {f"{found[len(found) // 2] / 1000:f}um"}

    def keeps(item, asked):
        limit = round(float(asked.removesuffix("um")) * 1000)
        return any(sign * nm(lot["thickness"]) >= sign * limit for lot in lots(item))

    return Filter(values, keeps)


def a_line(name, which=lambda line: True):
    return Filter(
        lambda items: {line[name] for item in items for line in item["lines"] if which(line)},
        lambda item, asked: any(line[name] == asked and which(line) for line in item["lines"]),
    )


def person(items):
    return {"mara"}


def itself(item):
    return [item]


FILTERS = {
    ("/journeys", "job"): Filter(
        lambda items: {
            job for item in items for job in (item["went_in"]["job"], *item["could_be"]) if job is not None
        },
        lambda item, asked: asked in (item["went_in"]["job"], *item["could_be"]),
    ),
    ("/journeys", "same_engine"): flag("same_engine", lambda item: item["same_engine"]),
    ("/journeys", "from"): Filter(
        lambda items: {item["went_in"]["at"] for item in items},
        lambda item, asked: time(item["went_in"]["at"]) >= time(asked),
    ),
    ("/journeys", "to"): Filter(
        lambda items: {item["went_in"]["at"] for item in items},
        lambda item, asked: time(item["went_in"]["at"]) < time(asked),
    ),
    ("/holds", "family"): a_line("family"),
    ("/holds", "bin"): a_line("bin"),
    ("/holds", "handed_out"): flag("handed_out_at", lambda item: item["handed_out_at"] is not None),
    ("/holds", "expires_before"): before("expires_at"),
    ("/movements", "family"): a_line("family"),
    ("/movements", "bin"): Filter(
        lambda items: {
            line["place"] for item in items for line in item["lines"] if line["place_kind"] == "bin"
        },
        lambda item, asked: any(
            (line["place"], line["place_kind"]) == (asked, "bin") for line in item["lines"]
        ),
    ),
    ("/movements", "person"): Filter(person, lambda item, asked: "Mara Quist" in item["actor"]),
    ("/history", "person"): Filter(person, lambda item, asked: "Mara Quist" in item["actor"]),
    ("/jobs", "open"): flag("state", lambda item: item["state"] not in CLOSED),
    ("/jobs", "promised_before"): before("promised_at"),
    ("/needs", "needed_before"): before("needed_by"),
    ("/keys", "site"): Filter(lambda items: {"north"}, lambda item, asked: asked in item["sites"]),
    ("/keys", "revoked"): flag("revoked_at", lambda item: item["revoked_at"] is not None),
    ("/stock-minimums", "low"): flag("low_since", lambda item: item["low_since"] is not None),
    ("/audit-trail", "by_key"): same("key"),
    # With what its people did to what all sites share.
    ("/audit-trail", "site"): Filter(
        lambda items: {"north"}, lambda item, asked: item["site"] in (asked, None)
    ),
    ("/suppliers", "family"): Filter(
        lambda items: {offer["family"] for item in items for offer in item["offers"]},
        lambda item, asked: any(offer["family"] == asked for offer in item["offers"]),
    ),
    ("/transfers", "site"): Filter(
        lambda items: {"north"}, lambda item, asked: asked in (item["source"], item["target"])
    ),
    ("/transfers", "direction"): Filter(
        lambda items: {"in", "out"},
        lambda item, asked: item["target" if asked == "in" else "source"] == "north",
    ),
}
FILTERS |= {
    (path, name): thickness((lambda item: item["lines"]) if path == "/holds" else itself, sign)
    for path in ("/stock", "/history", "/holds")
    for name, sign in (("thickness_min", 1), ("thickness_max", -1))
}
for path, name in DONE_AT.items():
    FILTERS[path, "from"] = Filter(
        moments(name), lambda item, asked, name=name: time(item[name]) >= time(asked)
    )
    FILTERS[path, "to"] = Filter(moments(name), lambda item, asked, name=name: time(item[name]) < time(asked))


def filter_of(path, name):
    """The filter of this name; where nothing else is said, rows that have the value under that name."""
    return FILTERS.get((path, name)) or same(name)
