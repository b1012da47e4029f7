"""A table that somebody brought in: staged row by row, checked, then applied whole or not at all."""

from django.db import models

from shop.ids import new_id
from shop.models import Site, Task


class ImportRun(models.Model):
    """One file on its way into the books. `data` is emptied once the rows are staged."""

    class State(models.TextChoices):
        STAGED = "staged", "Being read"
        CHECKED = "checked", "Ready to apply"
        REFUSED = "refused", "Has errors"
        APPLYING = "applying", "Being applied"
        APPLIED = "applied", "Applied"
        FAILED = "failed", "Not applied"
        CANCELLED = "cancelled", "Called off"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="imports")
    kind = models.CharField(max_length=20)
    file_name = models.CharField(max_length=200)
    data = models.BinaryField(default=bytes)
    state = models.CharField(max_length=10, choices=State.choices, default=State.STAGED)
    message = models.CharField(max_length=400, blank=True)
    rows = models.PositiveIntegerField(default=0)
    new = models.PositiveIntegerField(default=0)
    changed = models.PositiveIntegerField(default=0)
    same = models.PositiveIntegerField(default=0)
    wrong = models.PositiveIntegerField(default=0)
    created_at = models.DateTimeField()
    created_by = models.CharField(max_length=160)
    applied_at = models.DateTimeField(null=True, blank=True)
    task = models.ForeignKey(Task, null=True, on_delete=models.SET_NULL, related_name="+")

    class Meta:
        ordering = ["-created_at", "id"]

    def __str__(self) -> str:
        return self.file_name


class ImportRow(models.Model):
    """One row of the file, and what applying it would do."""

    class Fate(models.TextChoices):
        NEW = "new", "New"
        CHANGED = "changed", "Changes"
        SAME = "same", "Stays as it is"
        WRONG = "wrong", "Wrong"

    id = models.BigAutoField(primary_key=True)
    run = models.ForeignKey(ImportRun, on_delete=models.CASCADE, related_name="staged")
    number = models.PositiveIntegerField()
    values = models.JSONField()
    fate = models.CharField(max_length=8, choices=Fate.choices)
    message = models.CharField(max_length=800, blank=True)

    class Meta:
        ordering = ["run", "number"]
        constraints = [models.UniqueConstraint(fields=["run", "number"], name="import_row_once")]
        indexes = [models.Index(fields=["run", "fate", "number"], name="import_row_by_fate")]

    def __str__(self) -> str:
        return f"Row {self.number}: {self.fate}"
