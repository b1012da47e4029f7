"""The books: movements that are only ever added, and the balances that follow from them.

A movement counts once it is sealed: the insert into `MovementSeal` fires a trigger in the database that
refuses lines that do not sum to zero per family, checks the place in the site's hash chain, and only then
changes the balances. Nothing else changes `Balance.on_hand`. See migration 0002 for the triggers.
"""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily
from .place import Place

# Rows of these are only ever added: by code, by grant and by trigger.
APPEND_ONLY_TABLES = ("inventory_movement", "inventory_movementline", "inventory_movementseal")


class Condition(models.TextChoices):
    NEW = "new", "New"
    USED = "used", "Used"
    # Out of an engine and not yet under a micrometer: visible and countable, never planned with.
    UNMEASURED = "unmeasured", "Used, not measured"


class Reason(models.TextChoices):
    """Why shims moved; each is the name of the use case that wrote the movement."""

    RECEIVE = "receive", "Receive"
    PUT_AWAY = "put_away", "Put away"
    MOVE = "move", "Move"
    SEND = "send", "Send to another site"
    ARRIVE = "arrive", "Arrive from another site"
    HAND_OUT = "hand_out", "Hand out"
    HAND_BACK = "hand_back", "Hand back"
    HAND_OVER = "hand_over", "Hand over to another job"
    PULL = "pull", "Pull from engine"
    FIT = "fit", "Fit"
    RECOVER = "recover", "Recover"
    MEASURE = "measure", "Measure"
    REGRADE = "regrade", "Regrade"
    RETURN_TO_BIN = "return_to_bin", "Return to a bin"
    RETURN_TO_SUPPLIER = "return_to_supplier", "Return to supplier"
    SCRAP = "scrap", "Scrap"
    COUNT = "count", "Count"
    REVERSE = "reverse", "Reverse"


class Movement(models.Model):
    """One act of the floor. `seq` orders movements; the clock never does."""

    seq = models.BigAutoField(primary_key=True)
    uid = models.UUIDField(unique=True, default=new_id, editable=False)
    site = models.ForeignKey(
        Site, on_delete=models.PROTECT, related_name="movements", db_index=False
    )  # see movement_by_site
    reason = models.CharField(max_length=20, choices=Reason.choices)
    at = models.DateTimeField()
    actor = models.CharField(max_length=160)
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="movements"
    )
    request_id = models.CharField(max_length=64, blank=True)
    job_id = models.UUIDField(null=True)
    document = models.CharField(max_length=80, blank=True)
    note = models.CharField(max_length=400, blank=True)
    reverses = models.OneToOneField("self", null=True, on_delete=models.PROTECT, related_name="reversed_by")

    class Meta:
        ordering = ["seq"]
        indexes = [
            models.Index(fields=["site", "seq"], name="movement_by_site"),
            models.Index(fields=["job_id"], name="movement_by_job", condition=Q(job_id__isnull=False)),
        ]
        constraints = [
            models.CheckConstraint(condition=~Q(actor=""), name="movement_names_its_actor"),
        ]

    def __str__(self) -> str:
        return f"{self.get_reason_display()} {self.seq}"


class MovementLine(models.Model):
    """So many shims into a place (positive) or out of it (negative)."""

    id = models.BigAutoField(primary_key=True)
    # No index of their own: each begins one below, and a table of lines writes every index 50,000 times.
    movement = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="lines", db_index=False)
    position = models.PositiveSmallIntegerField()
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="movement_lines", db_index=False)
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+", db_index=False)
    thickness_nm = models.BigIntegerField()
    condition = models.CharField(max_length=12, choices=Condition.choices)
    quantity = models.IntegerField()

    class Meta:
        ordering = ["movement", "position"]
        indexes = [
            models.Index(fields=["place", "id"], name="movementline_by_place"),
            models.Index(fields=["family", "thickness_nm", "id"], name="movementline_by_size"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["movement", "position"], name="movementline_position_once"),
            models.CheckConstraint(
                condition=~Q(quantity=0) & Q(quantity__gte=-100_000, quantity__lte=100_000),
                name="movementline_quantity_in_bounds",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity:+d} × {self.thickness_nm} nm"


class MovementSeal(models.Model):
    """What makes a movement count: its place in its site's chain, and the hash over all before it."""

    movement = models.OneToOneField(Movement, primary_key=True, on_delete=models.PROTECT, related_name="seal")
    site = models.ForeignKey(
        Site, on_delete=models.PROTECT, related_name="+", db_index=False
    )  # see the constraint
    position = models.BigIntegerField()
    line_count = models.PositiveIntegerField()
    previous_hash = models.CharField(max_length=64)
    hash = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "position"], name="movementseal_position_once_per_site"),
        ]

    def __str__(self) -> str:
        return f"{self.position}: {self.hash[:12]}"


class ChainHead(models.Model):
    """The last link of a site's chain; its row is the last lock that a movement takes."""

    site = models.OneToOneField(Site, primary_key=True, on_delete=models.PROTECT, related_name="chain_head")
    position = models.BigIntegerField(default=0)
    hash = models.CharField(max_length=64, default="0" * 64)

    def __str__(self) -> str:
        return f"{self.site}: {self.position}"


class Balance(models.Model):
    """How many shims of one family, thickness and condition are in one place, and how many are promised."""

    id = models.BigAutoField(primary_key=True)
    # No index of their own: each begins one below.
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="balances", db_index=False)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="balances", db_index=False)
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="balances")
    thickness_nm = models.BigIntegerField()
    condition = models.CharField(max_length=12, choices=Condition.choices)
    outside = models.BooleanField(default=False)
    # The database supplies the zero: the restricted role may not name this column in an insert.
    on_hand = models.BigIntegerField(default=0, db_default=0)
    held = models.BigIntegerField(default=0, db_default=0)

    class Meta:
        ordering = ["id"]
        indexes = [
            # The stock page and GET /stock: one family of one site by thickness.
            models.Index(fields=["site", "family", "thickness_nm"], name="balance_by_site_and_size"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["place", "family", "thickness_nm", "condition"],
                name="balance_once_per_place_and_shim",
            ),
            models.CheckConstraint(
                condition=Q(outside=True) | Q(on_hand__gte=0), name="balance_not_below_zero"
            ),
            models.CheckConstraint(condition=Q(held__gte=0), name="balance_held_not_below_zero"),
            models.CheckConstraint(
                condition=Q(held=0) | Q(held__lte=F("on_hand")), name="balance_held_not_above_on_hand"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.on_hand} × {self.thickness_nm} nm"
