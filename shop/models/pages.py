"""What the pages remember between two requests."""

from django.db import models


class UsedForm(models.Model):
    """A form that was posted and booked: its id, made when the form was drawn. A second tap finds it here."""

    id = models.UUIDField(primary_key=True, editable=False)
    used_at = models.DateTimeField(db_index=True)

    def __str__(self) -> str:
        return f"{self.id} at {self.used_at:%Y-%m-%d %H:%M}"
