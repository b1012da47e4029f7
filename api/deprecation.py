"""What the API takes back: still answered, and said so on every answer until it ends (bar A15).

    @deprecated(since=date(2027, 3, 1), sunset=date(2028, 3, 1))
    @shows(Action.READ, "old_thing", "What it was.")
    def get(…)

The Deprecation header is RFC 9745's, the Sunset header RFC 8594's; the document marks the operation. Within a
version nothing ends sooner than `LEAST_NOTICE` after it was said. The policy, in the words of those who write
programs, stands on the page of the document.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, TypeVar

from django.utils.http import http_date

Handler = TypeVar("Handler", bound=Callable[..., Any])
LEAST_NOTICE = timedelta(days=180)
POLICY = "/api/docs"
_POLICY_WORDS = (
    "Within /api/v1/ things are added: addresses, fields of answers, words of a list of them; skip what "
    "you do not know. What is taken back is marked as deprecated here and is answered as before for "
    f"{LEAST_NOTICE.days} days at least; each answer then carries a Deprecation header (RFC 9745) with the "
    "day from which on nobody should begin to use it, and, once it is settled, a Sunset header (RFC 8594) "
    "with the day on which it ends."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Deprecation:
    """since: the day from which on nobody should begin to use it. sunset: the day on which it ends; None
    where that is not settled yet. Days begin in UTC."""

    since: date
    sunset: date | None = None

    def __post_init__(self) -> None:
        if self.sunset is not None and self.sunset - self.since < LEAST_NOTICE:
            raise ValueError(f"{LEAST_NOTICE.days} days at least from {self.since} to the sunset, not fewer")

    @property
    def headers(self) -> dict[str, str]:
        found = {
            "Deprecation": f"@{_seconds(self.since)}",
            "Link": f'<{POLICY}>; rel="deprecation"; type="text/html"',
        }
        if self.sunset is not None:
            found["Sunset"] = http_date(_seconds(self.sunset))
        return found


def deprecated(*, since: date, sunset: date | None = None) -> Callable[[Handler], Handler]:
    """Take back what a method of an address declared; stands above the decorator of its kind."""

    def decorate(handler: Handler) -> Handler:
        declared = handler.operation  # type: ignore[attr-defined]
        ends = Deprecation(since=since, sunset=sunset)
        handler.operation = replace(declared, deprecation=ends)  # type: ignore[attr-defined]
        return handler

    return decorate


def add_policy(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """The policy, into the document's own words."""
    result["info"]["description"] += f"\n\n{_POLICY_WORDS}"
    return result


def _seconds(day: date) -> int:
    return int(datetime.combine(day, time(), UTC).timestamp())
