"""The history of a job: one line per act, only ever added."""

from datetime import datetime
from typing import cast

from django.db.models import CharField, Model

from jobs.models import Job, JobEvent


def note_event(job: Job, act: str, *, by: str, at: datetime, text: str) -> None:
    """Write down what happened. A text that is too long for its column is cut: the facts stand elsewhere
    too."""
    JobEvent.objects.create(job=job, act=act, at=at, by=by, text=cut(text, JobEvent, "text"))


def cut(text: str, model: type[Model], name: str) -> str:
    """As much of the text as the model's field of this name, a CharField, has room for."""
    most = cast(CharField, model._meta.get_field(name)).max_length or 0
    return text if len(text) <= most else f"{text[: most - 1]}…"


def counted(count: int, noun: str) -> str:
    """ "1 shim", "2 shims"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
