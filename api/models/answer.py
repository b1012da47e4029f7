"""Answers to writes, kept so that a repeat of the request gets the first one (bars A4, L9 to L11)."""

from django.db import models

from shop.ids import new_id


class KeptAnswer(models.Model):
    """What a write was answered under one Idempotency-Key of one credential.

    Written in the transaction of the write itself: it is there exactly when the effect is.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    # "key:<id>" for a program, "user:<id>" for a person in the pages: nobody sees another's answers.
    credential = models.CharField(max_length=48)
    key = models.CharField(max_length=255)
    # SHA-256 over method, path and the body in canonical form.
    fingerprint = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField()
    headers = models.JSONField(default=dict)
    body = models.BinaryField()
    created_at = models.DateTimeField()

    class Meta:
        ordering = ["-created_at"]
        indexes = [
            # What the purge may remove.
            models.Index(fields=["created_at"], name="keptanswer_by_age"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["credential", "key"], name="one_answer_per_credential_and_key"),
        ]

    def __str__(self) -> str:
        return f"{self.status} for {self.key}"
