"""What the inventory tells others of (shop/webhooks/events.py): ids, and the facts that a program acts on.

Called inside the transaction of what is told.
"""

import uuid
from collections.abc import Mapping
from datetime import datetime

from inventory.compute.lengths import from_nm
from inventory.models import Hold, PurchaseLine, PurchaseList, StockMinimum
from shop.webhooks.events import EventKind, moment, tell

# A purchase list may have 250 lines, and a message stays below 20 kB.
MOST_LINES_TOLD = 100


def stock_low(size: StockMinimum, available: int, at: datetime) -> None:
    """There are fewer shims of this size than the site wants to keep."""
    data = {
        "family": size.family.code,
        "thickness": from_nm(size.thickness_nm).as_json(),
        "minimum": size.minimum,
        "available": available,
    }
    tell(EventKind.STOCK_LOW, data, site=size.site, at=at)


def hold_expiring(hold: Hold, at: datetime) -> None:
    """The hold runs out soon."""
    data = {
        "hold": str(hold.pk),
        "job": str(hold.job_id) if hold.job_id else None,
        "reference": hold.reference,
        "expires_at": moment(hold.expires_at) if hold.expires_at else None,
    }
    tell(EventKind.HOLD_EXPIRING, data, site=hold.site, at=at)


def delivery_received(
    purchase_list: PurchaseList,
    lines: Mapping[uuid.UUID, PurchaseLine],
    came: Mapping[uuid.UUID, int],
    at: datetime,
) -> None:
    """So many of these lines came; the first hundred sizes are listed, and how many more there are."""
    told = list(came.items())[:MOST_LINES_TOLD]
    data = {
        "purchase_list": str(purchase_list.pk),
        "number": purchase_list.number,
        "complete": purchase_list.state == PurchaseList.State.RECEIVED,
        "received": [
            {
                "family": lines[pk].family.code,
                "thickness": from_nm(lines[pk].thickness_nm).as_json(),
                "quantity": quantity,
            }
            for pk, quantity in told
        ],
        "more": len(came) - len(told),
    }
    tell(EventKind.DELIVERY_RECEIVED, data, site=purchase_list.site, at=at)
