"""The flows work in the workshop of the tests of jobs."""

from tests.jobs.conftest import at, boss, clerk, service, stranger, tech, workshop

__all__ = ["at", "boss", "clerk", "service", "stranger", "tech", "workshop"]
