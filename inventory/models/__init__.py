from .catalogue import ShimFamily
from .count import BinCount, TalliedLot, Tally
from .family_value import FamilyValue
from .hold import Hold, HoldLine
from .imports import ImportRow, ImportRun
from .inspection import Inspection
from .ledger import Balance, ChainHead, Condition, Movement, MovementLine, MovementSeal, Reason
from .place import Place, PlaceKind
from .place_event import PlaceEvent
from .purchase import Need, PurchaseChoice, PurchaseEvent, PurchaseLine, PurchaseList
from .receipt import Receipt, ReceiptLine, SupplierClaim
from .supplier import ExchangeRate, Offer, PartPrice, Supplier
from .supplier_return import SupplierReturn
from .take_over import HoldTakeOver
from .transfer import Transfer, TransferLine, TransferMovement
from .watch import HoldWarning, StockMinimum

__all__ = [
    "Balance",
    "BinCount",
    "ChainHead",
    "Condition",
    "ExchangeRate",
    "FamilyValue",
    "Hold",
    "HoldLine",
    "HoldTakeOver",
    "HoldWarning",
    "ImportRow",
    "ImportRun",
    "Inspection",
    "Movement",
    "MovementLine",
    "MovementSeal",
    "Need",
    "Offer",
    "PartPrice",
    "Place",
    "PlaceEvent",
    "PlaceKind",
    "PurchaseChoice",
    "PurchaseEvent",
    "PurchaseLine",
    "PurchaseList",
    "Reason",
    "Receipt",
    "ReceiptLine",
    "ShimFamily",
    "StockMinimum",
    "Supplier",
    "SupplierClaim",
    "SupplierReturn",
    "TalliedLot",
    "Tally",
    "Transfer",
    "TransferLine",
    "TransferMovement",
]
