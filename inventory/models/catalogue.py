"""What can be had: families of shims that interchange."""

from django.db import models
from django.db.models import F, Q

from inventory.compute.markings import MarkingRule
from inventory.compute.sizes import FamilyRange, sizes
from shop.ids import new_id


class ShimFamily(models.Model):
    """Shims that interchange: form, diameter, marking rule, range and step of thickness.

    Its sizes are every `step_nm` from `min_nm` to `max_nm`; see `inventory.compute.sizes`.
    """

    class Form(models.TextChoices):
        DISC_OVER = "disc_over", "Disc over the bucket"
        DISC_UNDER = "disc_under", "Disc under the bucket"
        CAP = "cap", "Cap over the stem"

    class Marking(models.TextChoices):
        THOUSANDTHS = MarkingRule.THOUSANDTHS.value, "Thousandths of a millimetre (2625)"
        HUNDREDTHS = MarkingRule.HUNDREDTHS.value, "Hundredths, last digit dropped (262)"
        DECIMAL = MarkingRule.DECIMAL.value, "Millimetres in full (2.625)"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=80)
    form = models.CharField(max_length=12, choices=Form.choices)
    marking = models.CharField(max_length=12, choices=Marking.choices)
    diameter_nm = models.BigIntegerField()
    diameter_keyed = models.CharField(max_length=32)
    min_nm = models.BigIntegerField()
    min_keyed = models.CharField(max_length=32)
    max_nm = models.BigIntegerField()
    max_keyed = models.CharField(max_length=32)
    step_nm = models.BigIntegerField()
    step_keyed = models.CharField(max_length=32)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["code"]
        verbose_name_plural = "shim families"
        constraints = [
            models.CheckConstraint(condition=Q(min_nm__lt=F("max_nm")), name="family_range_not_empty"),
            models.CheckConstraint(
                condition=Q(step_nm__gt=0, diameter_nm__gt=0), name="family_step_and_diameter_positive"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def range(self) -> FamilyRange:
        return FamilyRange(min_nm=self.min_nm, max_nm=self.max_nm, step_nm=self.step_nm)

    def sizes_nm(self) -> tuple[int, ...]:
        """Every thickness this family is made in, thinnest first, in nanometres."""
        return sizes(self.range)
