"""Who sells shims, and at what price."""

from decimal import Decimal

from django.db import models
from django.db.models import Q

from shop.ids import new_id

from .catalogue import ShimFamily


class Supplier(models.Model):
    """Who sells shims, on what terms. Amounts are in `currency`; empty means the currency of its prices.

    lead_days counts working days. holidays: ISO dates on which nothing is sent. our_number: what the supplier
    calls this shop.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=80)
    lead_days = models.PositiveSmallIntegerField(default=1)
    currency = models.CharField(max_length=3, blank=True)
    minimum_value = models.DecimalField(max_digits=12, decimal_places=4, default=Decimal(0))
    minimum_pieces = models.PositiveIntegerField(default=0)
    delivery_fee = models.DecimalField(max_digits=12, decimal_places=4, default=Decimal(0))
    free_from = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    cut_off = models.TimeField(null=True, blank=True)
    holidays = models.JSONField(default=list, blank=True)
    email = models.EmailField(blank=True)
    our_number = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(minimum_value__gte=0, delivery_fee__gte=0)
                & (Q(free_from__isnull=True) | Q(free_from__gte=0)),
                name="supplier_terms_not_negative",
            ),
        ]

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


class PartPrice(models.Model):
    """What a pack of one part number costs from so many packs on, and from which day to which.

    Rows of one supplier, part number and `valid_from` are one offer: they share family, size, pack and the
    rest, and the one `from_packs` of 1 is its plain price. incremental: a break's price is for the packs from
    there on only. lead_days: where this part takes longer than the supplier's others.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    supplier = models.ForeignKey(Supplier, on_delete=models.CASCADE, related_name="part_prices")
    part_number = models.CharField(max_length=40)
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="part_prices")
    thickness_nm = models.BigIntegerField()
    pack = models.PositiveIntegerField(default=1)
    from_packs = models.PositiveIntegerField(default=1)
    price = models.DecimalField(max_digits=12, decimal_places=4)
    incremental = models.BooleanField(default=False)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    lead_days = models.PositiveSmallIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["supplier", "part_number", "valid_from", "from_packs"]
        constraints = [
            models.UniqueConstraint(
                fields=["supplier", "part_number", "valid_from", "from_packs"], name="part_price_once"
            ),
            models.CheckConstraint(
                condition=Q(price__gt=0, pack__gte=1, from_packs__gte=1), name="part_price_is_a_price"
            ),
        ]
        # What is on offer of a size.
        indexes = [models.Index(fields=["family", "thickness_nm"], name="part_price_by_size")]

    def __str__(self) -> str:
        return f"{self.part_number} from {self.supplier}"


class ExchangeRate(models.Model):
    """What one unit of a currency is in the shop's, as somebody keyed it."""

    currency = models.CharField(max_length=3, primary_key=True)
    rate = models.DecimalField(max_digits=16, decimal_places=8)
    keyed_at = models.DateTimeField()
    keyed_by = models.CharField(max_length=160)

    class Meta:
        ordering = ["currency"]
        constraints = [models.CheckConstraint(condition=Q(rate__gt=0), name="exchange_rate_above_zero")]

    def __str__(self) -> str:
        return f"1 {self.currency} = {self.rate}"
