"""Engine types: where the valves are and what clearance the maker asks for."""

from django.db import models
from django.db.models import F, Q

from inventory.models import ShimFamily
from shop.ids import new_id


class EngineType(models.Model):
    """A kind of engine: its layout, its clearance spec per side with the source named, its shim family.

    `lash_ratio` is a decimal: clearance changes by that much per unit of shim. How the valves lie when the
    engine is seen from above is in its positions.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    code = models.SlugField(max_length=24, unique=True)
    name = models.CharField(max_length=80)
    cylinders = models.PositiveSmallIntegerField()
    banks = models.PositiveSmallIntegerField(default=1)
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="engine_types")
    lash_ratio = models.DecimalField(max_digits=8, decimal_places=6, default=1)
    intake_min_nm = models.BigIntegerField()
    intake_min_keyed = models.CharField(max_length=32)
    intake_max_nm = models.BigIntegerField()
    intake_max_keyed = models.CharField(max_length=32)
    intake_aim_nm = models.BigIntegerField(null=True, blank=True)
    intake_aim_keyed = models.CharField(max_length=32, blank=True)
    exhaust_min_nm = models.BigIntegerField()
    exhaust_min_keyed = models.CharField(max_length=32)
    exhaust_max_nm = models.BigIntegerField()
    exhaust_max_keyed = models.CharField(max_length=32)
    exhaust_aim_nm = models.BigIntegerField(null=True, blank=True)
    exhaust_aim_keyed = models.CharField(max_length=32, blank=True)
    spec_source = models.CharField(max_length=200)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(intake_min_nm__lt=F("intake_max_nm"), exhaust_min_nm__lt=F("exhaust_max_nm")),
                name="engine_spec_min_below_max",
            ),
            models.CheckConstraint(condition=~Q(spec_source=""), name="engine_spec_names_its_source"),
            models.CheckConstraint(
                condition=Q(lash_ratio__gte="0.1", lash_ratio__lte="10"), name="engine_lash_ratio_in_bounds"
            ),
            models.CheckConstraint(condition=Q(cylinders__gte=1, cylinders__lte=16), name="engine_cylinders"),
        ]

    def __str__(self) -> str:
        return self.name


class Side(models.TextChoices):
    INTAKE = "intake", "Intake"
    EXHAUST = "exhaust", "Exhaust"


class EnginePosition(models.Model):
    """One valve's position, named without regard to the firing order: cylinder, side, and L to R.

    `row` and `column` place it on the engine seen from above (from 0), bank by bank.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    engine_type = models.ForeignKey(EngineType, on_delete=models.CASCADE, related_name="positions")
    label = models.CharField(max_length=40)
    cylinder = models.PositiveSmallIntegerField()
    side = models.CharField(max_length=8, choices=Side.choices)
    bank = models.PositiveSmallIntegerField(default=1)
    row = models.PositiveSmallIntegerField()
    column = models.PositiveSmallIntegerField()
    order = models.PositiveSmallIntegerField()

    class Meta:
        ordering = ["engine_type", "order"]
        constraints = [
            models.UniqueConstraint(fields=["engine_type", "label"], name="position_label_once_per_engine"),
            models.UniqueConstraint(
                fields=["engine_type", "bank", "row", "column"], name="position_place_once_per_engine"
            ),
        ]

    def __str__(self) -> str:
        return self.label


class EngineItem(models.Model):
    """What else the engine type takes each time: cover gasket, seals, fluids."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    engine_type = models.ForeignKey(EngineType, on_delete=models.CASCADE, related_name="items")
    name = models.CharField(max_length=80)
    quantity = models.CharField(max_length=40)
    note = models.CharField(max_length=200, blank=True)
    order = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["engine_type", "order"]

    def __str__(self) -> str:
        return f"{self.quantity} {self.name}"
