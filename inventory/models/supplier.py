"""Who sells shims, and at what price."""

from django.db import models
from django.db.models import Q

from shop.ids import new_id

from .catalogue import ShimFamily


class Supplier(models.Model):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=80)
    lead_days = models.PositiveSmallIntegerField(default=1)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class Offer(models.Model):
    """A supplier sells any size of a family at one price each."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    supplier = models.ForeignKey(Supplier, on_delete=models.CASCADE, related_name="offers")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="offers")
    price = models.DecimalField(max_digits=12, decimal_places=4)
    currency = models.CharField(max_length=3)

    class Meta:
        ordering = ["family", "price"]
        constraints = [
            models.UniqueConstraint(fields=["supplier", "family"], name="one_offer_per_supplier_and_family"),
            models.CheckConstraint(condition=Q(price__gte=0), name="offer_price_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.family} from {self.supplier}"
