"""One form, one act: a form that is posted twice is booked once.

Acts on a job or a list are refused a second time by its state and version. Acts that have no state of
their own, receiving or scrapping so many shims, carry the form's own id instead.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from uuid import UUID

from django import forms

from shop.background.context import TaskContext
from shop.background.registry import periodic
from shop.db import atomic_write
from shop.ids import new_id
from shop.models import UsedForm
from shop.pages.forms import ActForm

KEPT = timedelta(days=7)


class OnceForm(ActForm):
    """The form of an act that must not be booked twice."""

    once = forms.UUIDField(
        widget=forms.HiddenInput,
        error_messages={"required": "Load the page again.", "invalid": "Load the page again."},
    )

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.fields["once"].initial = new_id

    def sent_before(self) -> bool:
        """Whether this very form was posted and booked before."""
        try:
            form_id = self.fields["once"].clean(self.data.get("once"))
        except forms.ValidationError:
            return False
        return UsedForm.objects.filter(pk=form_id).exists()


@contextmanager
def once(form_id: UUID, at: datetime) -> Iterator[bool]:
    """One transaction; yields whether this form is posted for the first time. A refusal inside forgets it
    again, so that the corrected form can be sent."""
    with atomic_write():
        _, first = UsedForm.objects.get_or_create(pk=form_id, defaults={"used_at": at})
        yield first


def said(first: bool, sentence: str) -> str:
    """What was done; of a form that was sent before, what to do if more is meant than that."""
    if first:
        return sentence
    return (
        "This form was sent before and booked then; nothing was booked twice. If this is about something "
        "else, open the page anew and key it in there."
    )


@periodic("purge_used_forms", every=timedelta(days=1))
def purge_used_forms(task: TaskContext) -> dict[str, int]:
    """Forget forms that nobody sends again."""
    with task.commit():
        removed, _ = UsedForm.objects.filter(used_at__lt=task.now() - KEPT).delete()
    return {"removed": removed}
