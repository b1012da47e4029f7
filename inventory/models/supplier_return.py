"""Shims that went back to the supplier that they came from."""

from django.db import models
from django.db.models import Q

from shop.ids import new_id
from shop.models import Site

from .ledger import Movement, MovementLine
from .supplier import Supplier


class SupplierReturn(models.Model):
    """One parcel back to one supplier; what is in it are the lines of its movement."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="supplier_returns")
    number = models.PositiveIntegerField()
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="returns")
    reference = models.CharField(max_length=80, blank=True)
    reason = models.CharField(max_length=400)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)
    movement = models.OneToOneField(Movement, on_delete=models.PROTECT, related_name="supplier_return")

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="supplier_return_number_once_per_site"),
            models.CheckConstraint(condition=~Q(reason=""), name="supplier_return_says_why"),
        ]

    def __str__(self) -> str:
        return f"Return {self.number}"

    @property
    def lines(self) -> list[MovementLine]:
        """What was taken out of the site's places, quantities below zero; prefetch the movement's lines."""
        return [line for line in self.movement.lines.all() if line.quantity < 0]
