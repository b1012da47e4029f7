"""The invented shop's two workshops, what they stock, and who sells to them."""

from dataclasses import dataclass
from datetime import time
from decimal import Decimal

SHOP_NAME = "Brackwater Engine Works"


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFacts:
    """A workshop. `unit`: in which its leaves are read. `stocks`: the families that have drawers here."""

    code: str
    name: str
    bays: int
    trays: int
    unit: str
    stocks: tuple[str, ...]
    engines: tuple[str, ...]


QUAY = SiteFacts(
    code="quay",
    name="Brackwater Quay",
    bays=4,
    trays=12,
    unit="thou",
    stocks=("over-27", "over-34", "under-86", "under-68", "cap-124", "cap-152"),
    engines=("quennick-6", "olmarne-8", "torvane-5", "vassik-3", "olmarne-12", "pellam-4s", "pellam-4"),
)
FELL = SiteFacts(
    code="fell",
    name="Upper Fell",
    bays=2,
    trays=6,
    unit="mm",
    stocks=("over-27", "over-34", "under-68"),
    engines=("ondrel-2", "pellam-4", "vassik-3", "pellam-4s", "ondrel-2"),
)
SITES = (QUAY, FELL)


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplierFacts:
    """Who sells shims: working days until they come, and the price of any size of each family.

    pack: of how many shims packs are, at `pack_share` of what they would cost singly; 1: no packs.
    """

    code: str
    name: str
    lead_days: int
    prices: dict[str, Decimal]
    delivery_fee: Decimal
    free_from: Decimal | None = None
    minimum_value: Decimal = Decimal(0)
    cut_off: time | None = None
    pack: int = 1
    pack_share: Decimal = Decimal(1)


CURRENCY = "EUR"
SUPPLIERS = (
    SupplierFacts(
        code="norrbeck",
        name="Norrbeck Shim Supply",
        lead_days=1,
        prices={
            "over-27": Decimal("6.40"),
            "over-34": Decimal("7.10"),
            "under-86": Decimal("5.20"),
            "under-68": Decimal("4.90"),
            "cap-124": Decimal("8.75"),
            "cap-152": Decimal("9.30"),
        },
        delivery_fee=Decimal("6.50"),
        free_from=Decimal(60),
        cut_off=time(15),
    ),
    SupplierFacts(
        code="tarn-pell",
        name="Tarn & Pell Engine Parts",
        lead_days=2,
        prices={"over-27": Decimal("5.15"), "over-34": Decimal("5.90"), "under-68": Decimal("3.80")},
        delivery_fee=Decimal("4.90"),
        minimum_value=Decimal(15),
        cut_off=time(12),
        pack=5,
        pack_share=Decimal("0.85"),
    ),
    SupplierFacts(
        code="lindle",
        name="Lindle Brothers",
        lead_days=3,
        prices={"under-86": Decimal("4.05"), "cap-124": Decimal("7.20"), "cap-152": Decimal("7.95")},
        delivery_fee=Decimal("5.50"),
        free_from=Decimal(80),
        pack=10,
        pack_share=Decimal("0.78"),
    ),
)
