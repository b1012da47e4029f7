"""Where shims are: bins, trays and the few other places of a site, and the outside."""

from django.db import models
from django.db.models import Q

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily


class PlaceKind(models.TextChoices):
    BIN = "bin", "Bin"
    TRAY = "tray", "Tray"
    RECEIVING = "receiving", "Receiving"
    INSPECTION = "inspection", "Inspection"
    TRANSIT = "transit", "In transit"
    # Outside places carry signed balances, so that the sum over all places is zero.
    SUPPLIER = "supplier", "Supplier"
    ENGINE = "engine", "Engines"
    SCRAP = "scrap", "Scrap"
    DIFFERENCE = "difference", "Count difference"

    @classmethod
    def outside(cls) -> frozenset[str]:
        return frozenset({cls.SUPPLIER, cls.ENGINE, cls.SCRAP, cls.DIFFERENCE})


class Place(models.Model):
    """A bin, a tray, or another place of one site.

    A bin may be kept for one family and one size (`size_nm`); its place in the cabinet is
    (cabinet, row, column), counted from 1; no other bin in use is there. A site has one place of each kind
    that is neither bin nor tray.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="places")
    kind = models.CharField(max_length=12, choices=PlaceKind.choices)
    code = models.CharField(max_length=20)
    cabinet = models.CharField(max_length=20, blank=True)
    row = models.PositiveSmallIntegerField(null=True, blank=True)
    column = models.PositiveSmallIntegerField(null=True, blank=True)
    family = models.ForeignKey(
        ShimFamily, null=True, blank=True, on_delete=models.PROTECT, related_name="bins"
    )
    size_nm = models.BigIntegerField(null=True, blank=True)
    capacity = models.PositiveIntegerField(null=True, blank=True)
    retired_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["site", "kind", "code"]
        constraints = [
            models.UniqueConstraint(fields=["site", "code"], name="place_code_once_per_site"),
            models.UniqueConstraint(
                fields=["site", "kind"],
                condition=~Q(kind__in=["bin", "tray"]),
                name="one_place_of_each_other_kind_per_site",
            ),
            models.UniqueConstraint(
                fields=["site", "cabinet", "row", "column"],
                condition=Q(kind="bin", retired_at=None) & ~Q(cabinet=""),
                name="one_bin_at_a_position",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_outside(self) -> bool:
        return self.kind in PlaceKind.outside()
