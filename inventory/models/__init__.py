from .catalogue import ShimFamily
from .hold import Hold, HoldLine
from .imports import ImportRow, ImportRun
from .inspection import Inspection
from .ledger import Balance, ChainHead, Condition, Movement, MovementLine, MovementSeal, Reason
from .place import Place, PlaceKind
from .purchase import Need, PurchaseLine, PurchaseList
from .supplier import Offer, Supplier

__all__ = [
    "Balance",
    "ChainHead",
    "Condition",
    "Hold",
    "HoldLine",
    "ImportRow",
    "ImportRun",
    "Inspection",
    "Movement",
    "MovementLine",
    "MovementSeal",
    "Need",
    "Offer",
    "Place",
    "PlaceKind",
    "PurchaseLine",
    "PurchaseList",
    "Reason",
    "ShimFamily",
    "Supplier",
]
