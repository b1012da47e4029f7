"""Shims on their way from one site to another."""

from django.db import models
from django.db.models import F, Q

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily
from .ledger import Condition, Movement
from .place import Place


class Transfer(models.Model):
    """One parcel. Until it is taken in, its shims stand in the sender's books, in transit."""

    class State(models.TextChoices):
        IN_TRANSIT = "in_transit", "In transit"
        CLOSED = "closed", "Closed"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    number = models.PositiveIntegerField()
    source = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="transfers_out")
    target = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="transfers_in")
    state = models.CharField(max_length=12, choices=State.choices, default=State.IN_TRANSIT)
    sent_at = models.DateTimeField()
    sent_by = models.CharField(max_length=160)
    closed_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=400, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-sent_at", "id"]
        indexes = [
            models.Index(fields=["source", "state"], name="transfer_by_source"),
            models.Index(fields=["target", "state"], name="transfer_by_target"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["source", "number"], name="transfer_number_once_per_site"),
            models.CheckConstraint(condition=~Q(source=F("target")), name="transfer_between_two_sites"),
            models.CheckConstraint(
                condition=Q(state="in_transit", closed_at__isnull=True)
                | (~Q(state="in_transit") & Q(closed_at__isnull=False)),
                name="transfer_closed_when_not_in_transit",
            ),
        ]

    def __str__(self) -> str:
        return f"Transfer {self.number} from {self.source.code}"


class TransferLine(models.Model):
    """So many shims of one lot. What neither arrived, came back nor was written off is still in transit."""

    id = models.BigAutoField(primary_key=True)
    transfer = models.ForeignKey(Transfer, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField()
    taken_from = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    thickness_nm = models.BigIntegerField()
    condition = models.CharField(max_length=12, choices=Condition.choices)
    quantity = models.PositiveIntegerField()
    arrived = models.PositiveIntegerField(default=0)
    came_back = models.PositiveIntegerField(default=0)
    written_off = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["transfer", "position"]
        constraints = [
            models.UniqueConstraint(fields=["transfer", "position"], name="transferline_position_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, arrived__lte=F("quantity") - F("came_back") - F("written_off")),
                name="transferline_settled_within_quantity",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} × {self.thickness_nm} nm"

    @property
    def in_transit(self) -> int:
        return self.quantity - self.arrived - self.came_back - self.written_off


class TransferMovement(models.Model):
    """A movement that belongs to a transfer: it is undone through the transfer, so that the two agree."""

    movement = models.OneToOneField(
        Movement, primary_key=True, on_delete=models.PROTECT, related_name="of_transfer"
    )
    transfer = models.ForeignKey(Transfer, on_delete=models.PROTECT, related_name="movements")

    class Meta:
        ordering = ["movement"]
        # No table of the ledger, so its name does not say so: those alone have "movement" in theirs.
        db_table = "inventory_transferstep"

    def __str__(self) -> str:
        return f"{self.movement} of {self.transfer}"
