"""Counts of bins: blind, by a second person where the first differs from the books, then posted."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily
from .ledger import Condition, Movement
from .place import Place


class BinCount(models.Model):
    """The counting of one bin, from the wish to have it counted to the movement that posts the difference.

    `gross_value` is what the confirmed differences are worth, gains and losses alike, in `currency`; null
    where a value is not known.
    """

    class State(models.TextChoices):
        OPEN = "open", "To count"
        AGAIN = "again", "To be counted again"
        AGREES = "agrees", "Agrees with the books"
        DIFFERS = "differs", "Differs, to be posted"
        TO_APPROVE = "to_approve", "Differs, to be approved"
        POSTED = "posted", "Difference posted"
        REJECTED = "rejected", "Rejected"
        CANCELLED = "cancelled", "Cancelled"

    # While one of these is on, the bin is not counted a second time beside it.
    OPEN_STATES = (State.OPEN, State.AGAIN, State.DIFFERS, State.TO_APPROVE)
    # Somebody still has to look into the bin.
    TO_COUNT = (State.OPEN, State.AGAIN)

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="bin_counts")
    number = models.PositiveIntegerField()
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="counts")
    state = models.CharField(max_length=12, choices=State.choices, default=State.OPEN)
    why = models.CharField(max_length=120, blank=True)
    opened_at = models.DateTimeField()
    opened_by = models.CharField(max_length=160)
    gross_value = models.DecimalField(max_digits=16, decimal_places=6, null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    approved_at = models.DateTimeField(null=True, blank=True)
    approved_by = models.CharField(max_length=160, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.CharField(max_length=160, blank=True)
    note = models.CharField(max_length=400, blank=True)
    movement = models.OneToOneField(
        Movement, null=True, blank=True, on_delete=models.PROTECT, related_name="posted_count"
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-opened_at", "id"]
        indexes = [
            models.Index(fields=["site", "state"], name="bincount_by_state"),
            # When a bin was last counted, and how its counts came out.
            models.Index(fields=["place", "-closed_at"], name="bincount_by_place"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="bincount_number_once_per_site"),
            models.UniqueConstraint(
                fields=["place"],
                condition=Q(state__in=["open", "again", "differs", "to_approve"]),
                name="one_open_count_per_place",
            ),
            models.CheckConstraint(
                condition=(Q(state="posted") & Q(movement__isnull=False))
                | (~Q(state="posted") & Q(movement__isnull=True)),
                name="bincount_posted_with_its_movement",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["open", "again", "differs", "to_approve"], closed_at__isnull=True)
                | (~Q(state__in=["open", "again", "differs", "to_approve"]) & Q(closed_at__isnull=False)),
                name="bincount_closed_when_not_open",
            ),
        ]

    def __str__(self) -> str:
        return f"Count {self.number}"

    @property
    def is_open(self) -> bool:
        return self.state in self.OPEN_STATES

    @property
    def is_to_count(self) -> bool:
        return self.state in self.TO_COUNT

    @property
    def is_blind(self) -> bool:
        """Whether nobody may see its figures: they would tell whoever counts the bin next."""
        return self.is_to_count or self.state == self.State.CANCELLED


class Tally(models.Model):
    """One person's count of the bin. `started_link` and `keyed_link` are the last links of the site's chain
    (`MovementSeal.position`) when it began and when it was keyed in: what moved between is known from there.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    count = models.ForeignKey(BinCount, on_delete=models.CASCADE, related_name="tallies")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="tallies")
    by = models.CharField(max_length=160)
    started_at = models.DateTimeField()
    started_link = models.BigIntegerField()
    keyed_at = models.DateTimeField(null=True, blank=True)
    keyed_link = models.BigIntegerField(null=True, blank=True)
    confirmed = models.BooleanField(default=False)

    class Meta:
        ordering = ["count", "keyed_at", "started_at"]
        verbose_name_plural = "tallies"
        constraints = [
            models.UniqueConstraint(
                fields=["count", "user"],
                condition=Q(keyed_at__isnull=True),
                name="one_tally_at_a_time_per_person",
            ),
            models.CheckConstraint(
                condition=Q(keyed_at__isnull=True, keyed_link__isnull=True)
                | Q(keyed_at__isnull=False, keyed_link__gte=F("started_link")),
                name="tally_keyed_after_it_began",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.count} by {self.by}"


class TalliedLot(models.Model):
    """What a tally says of one lot. `possible` holds counted less the books, for every figure that the books
    had while it was counted; `difference` is the one of them that two persons found, null until then, and
    `unit_value` what one shim was worth at that moment."""

    id = models.BigAutoField(primary_key=True)
    tally = models.ForeignKey(Tally, on_delete=models.CASCADE, related_name="lots")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    thickness_nm = models.BigIntegerField()
    thickness_keyed = models.CharField(max_length=32)
    condition = models.CharField(max_length=12, choices=Condition.choices)
    counted = models.PositiveIntegerField()
    possible = models.JSONField(default=list)
    difference = models.IntegerField(null=True)
    unit_value = models.DecimalField(max_digits=16, decimal_places=6, null=True, blank=True)

    class Meta:
        ordering = ["tally", "family", "thickness_nm", "condition"]
        constraints = [
            models.UniqueConstraint(
                fields=["tally", "family", "thickness_nm", "condition"], name="tallied_lot_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.counted} × {self.thickness_keyed}"
