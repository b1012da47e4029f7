"""The log: one JSON object a line, each line of a request under the request's id.

Nothing secret is written: request bodies, query strings, cookies and the Authorization header never are.
"""

import logging
import logging.config
import re
import threading
import time
import uuid
from collections.abc import Callable
from typing import Any

import structlog
from django.http import HttpRequest, HttpResponse

from shop.ids import new_id

TURNED_AWAY_EVERY_SECONDS = 10
REQUEST_ID_HEADER = "X-Request-ID"
_ACCEPTABLE_ID = re.compile(r"[A-Za-z0-9._-]{8,64}")
_log = structlog.get_logger("coldgap.request")


def configure(options: dict[str, Any]) -> None:
    """Send Django's, Celery's and our own lines to standard error as JSON; `options` is settings.LOGGING."""
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
        structlog.processors.format_exc_info,
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    logging.config.dictConfig(
        {
            "version": 1,
            "disable_existing_loggers": False,
            "formatters": {
                "json": {
                    "()": structlog.stdlib.ProcessorFormatter,
                    "foreign_pre_chain": shared,
                    "processors": [
                        structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                        _drop_request_object,
                        structlog.processors.JSONRenderer(ensure_ascii=True),
                    ],
                }
            },
            "filters": {"turned away": {"()": TurnedAway}},
            "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "json"}},
            "root": {"handlers": ["stderr"], "level": options.get("level", "INFO")},
            "loggers": {
                # The middleware below has a line for every answer; Django's own would double it.
                "django.request": {"level": "ERROR", "filters": ["turned away"]},
                "django.server": {"level": "ERROR"},
            },
        }
    )


class TurnedAway(logging.Filter):
    """Who is asked to come again later (503) was turned away on purpose: a warning. What somebody must look
    at is an error, and stands out among errors only.

    Where many are turned away, one such line in `TURNED_AWAY_EVERY_SECONDS` says how many there were: each
    of them has its own line of what was answered.
    """

    def __init__(self) -> None:
        super().__init__()
        self._guard = threading.Lock()
        self._last: float | None = None
        self._left_out = 0

    def filter(self, record: logging.LogRecord) -> bool:
        if getattr(record, "status_code", None) != 503:
            return True
        record.levelno, record.levelname = logging.WARNING, logging.getLevelName(logging.WARNING)
        now = time.monotonic()
        with self._guard:
            if self._last is not None and now - self._last < TURNED_AWAY_EVERY_SECONDS:
                self._left_out += 1
                return False
            self._last, left_out, self._left_out = now, self._left_out, 0
        if left_out:
            record.msg = f"{record.msg} ({left_out} more since the line before)"
        return True


def _drop_request_object(_logger: Any, _name: str, event: dict[str, Any]) -> dict[str, Any]:
    """Django hands the whole request along; it holds headers and bodies that no log may have."""
    event.pop("request", None)
    return event


class RequestIdMiddleware:
    """Give every request an id, put it on the answer and into each line logged meanwhile.

    An id that a caller sends is kept when it looks like one, so that a program can follow its own request
    through our log; anything else is replaced.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        sent = request.headers.get(REQUEST_ID_HEADER, "")
        request.request_id = sent if _ACCEPTABLE_ID.fullmatch(sent) else str(new_id())
        began = time.perf_counter()
        with structlog.contextvars.bound_contextvars(request_id=request.request_id):
            response = self.get_response(request)
            response[REQUEST_ID_HEADER] = request.request_id
            _log.info(
                "answered",
                method=request.method,
                path=request.path,
                status=response.status_code,
                milliseconds=round((time.perf_counter() - began) * 1000, 1),
                user=_user_id(request),
            )
            return response


def _user_id(request: HttpRequest) -> str | None:
    user = getattr(request, "user", None)
    # Only where the request asked who it is; the log must not cause a query of its own.
    known = getattr(request, "_cached_user", None)
    identity = getattr(known, "pk", None) if user is not None else None
    return str(identity) if isinstance(identity, uuid.UUID) else None
