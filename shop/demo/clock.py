"""Plays the stories of the shop in the order of time, so that its books read as if it had lived them.

A story is a generator: it yields the moment of its next act and acts when it is resumed. Whatever it needs to
know of the rest of the shop, it asks then.
"""

import heapq
from collections.abc import Iterator
from datetime import datetime
from itertools import count

Story = Iterator[datetime]


class Clock:
    """Stories under way. Those with the same next moment go on in the order in which they asked for it."""

    def __init__(self) -> None:
        self._due: list[tuple[datetime, int, Story]] = []
        self._asked = count()

    def start(self, story: Story) -> None:
        """Let the story begin at the first moment that it yields; an empty story is over at once."""
        self._go_on(story)

    def play(self, until: datetime) -> None:
        """Play every act before `until`. Raises AssertionError where a story wants to go back in time."""
        now: datetime | None = None
        while self._due and self._due[0][0] < until:
            at, _, story = heapq.heappop(self._due)
            assert now is None or at >= now, f"a story goes back from {now} to {at}"
            now = at
            self._go_on(story)

    def _go_on(self, story: Story) -> None:
        at = next(story, None)
        if at is not None:
            heapq.heappush(self._due, (at, next(self._asked), story))
