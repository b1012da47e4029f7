"""What the log says of those who are asked to come again later."""

import logging
import time

import pytest

from shop.logging import TURNED_AWAY_EVERY_SECONDS, TurnedAway


@pytest.fixture
def log(monkeypatch):
    """Django's own line for answers, through the filter, at moments of our own."""
    lines = []

    class Kept(logging.Handler):
        def emit(self, record):
            lines.append((record.levelname, record.getMessage()))

    logger = logging.Logger("django.request", level="ERROR")
    logger.addFilter(TurnedAway())
    logger.addHandler(Kept())

    def answered(status, at=0.0):
        monkeypatch.setattr(time, "monotonic", lambda: at)
        logger.error("%s: %s", "Busy", "/at/north", extra={"status_code": status})
        return lines

    return answered


def test_the_service_s_own_log_goes_through_it():
    assert any(isinstance(one, TurnedAway) for one in logging.getLogger("django.request").filters)


def test_one_is_a_warning_and_a_mistake_of_ours_an_error(log):
    log(503)
    assert log(500) == [("WARNING", "Busy: /at/north"), ("ERROR", "Busy: /at/north")]


def test_a_flood_is_a_line_now_and_then_that_says_how_many(log):
    for number in range(1_000):
        lines = log(503, at=number * TURNED_AWAY_EVERY_SECONDS / 400)
    assert lines == [
        ("WARNING", "Busy: /at/north"),
        ("WARNING", "Busy: /at/north (399 more since the line before)"),
        ("WARNING", "Busy: /at/north (399 more since the line before)"),
    ]


def test_no_mistake_of_ours_is_left_out_of_a_flood(log):
    for _ in range(50):
        log(503)
        log(500)
    assert [level for level, _ in log(500)].count("ERROR") == 51
