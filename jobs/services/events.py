"""The history of a job: one line per act, only ever added."""

from datetime import datetime

from jobs.models import Job, JobEvent

MOST_TEXT = JobEvent._meta.get_field("text").max_length or 0


def note_event(job: Job, act: str, *, by: str, at: datetime, text: str) -> None:
    """Write down what happened. A text that is too long for its column is cut: the facts stand elsewhere
    too."""
    shown = text if len(text) <= MOST_TEXT else f"{text[: MOST_TEXT - 1]}…"
    JobEvent.objects.create(job=job, act=act, at=at, by=by, text=shown)


def counted(count: int, noun: str) -> str:
    """ "1 shim", "2 shims"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
