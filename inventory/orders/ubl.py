"""An order as a UBL 2.1 Order (OASIS Universal Business Language, ISO/IEC 19845)."""

from decimal import Decimal
from xml.etree.ElementTree import Element, SubElement, indent, register_namespace, tostring

from inventory.orders.record import OrderLine, OrderRecord

_ORDER = "urn:oasis:names:specification:ubl:schema:xsd:Order-2"
_GROUP = "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"
_BASIC = "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"
PIECES, PACKS = "C62", "PK"
"""Units of UN/ECE recommendation 20: one, and pack (recommendation 21's code, which UBL takes as well)."""


def order_ubl(order: OrderRecord) -> bytes:
    """The document, UTF-8. A line without a price says none; the total is then of those that have one."""
    register_namespace("", _ORDER)
    register_namespace("cac", _GROUP)
    register_namespace("cbc", _BASIC)
    root = Element(f"{{{_ORDER}}}Order")
    _text(root, "UBLVersionID", "2.1")
    _text(root, "ID", order.name)
    _text(root, "IssueDate", order.issued.isoformat())
    _text(root, "DocumentCurrencyCode", order.currency)
    buyer = _group(root, "BuyerCustomerParty")
    if order.our_number:
        _text(buyer, "SupplierAssignedAccountID", order.our_number)
    _party(buyer, order.buyer[0])
    _party(_group(root, "SellerSupplierParty"), order.supplier)
    delivery = _group(root, "Delivery")
    if order.expected:
        period = _group(delivery, "RequestedDeliveryPeriod")
        _text(period, "EndDate", order.expected.isoformat())
    _party(delivery, order.site, "DeliveryParty")
    if order.delivery:
        charge = _group(root, "AllowanceCharge")
        _text(charge, "ChargeIndicator", "true")
        _text(charge, "AllowanceChargeReason", "Delivery")
        _amount(charge, "Amount", order.delivery, order.currency)
    sums = _group(root, "AnticipatedMonetaryTotal")
    _amount(sums, "LineExtensionAmount", order.goods, order.currency)
    if order.delivery:
        _amount(sums, "ChargeTotalAmount", order.delivery, order.currency)
    _amount(sums, "PayableAmount", order.total, order.currency)
    for line in order.lines:
        _line(root, line, order.currency)
    indent(root)
    body: bytes = tostring(root, encoding="utf-8", xml_declaration=True)
    return body


def _line(root: Element, line: OrderLine, currency: str) -> None:
    item = _group(_group(root, "OrderLine"), "LineItem")
    _text(item, "ID", str(line.number))
    unit = PIECES if line.pack == 1 else PACKS
    _text(item, "Quantity", str(line.packs), unitCode=unit)
    if line.amount is not None:
        _amount(item, "LineExtensionAmount", line.amount, currency)
    if line.price is not None:
        price = _group(item, "Price")
        _amount(price, "PriceAmount", line.price, currency)
        _text(price, "BaseQuantity", "1", unitCode=unit)
    what = _group(item, "Item")
    if line.pack > 1:
        _text(what, "PackSizeNumeric", str(line.pack))
    _text(what, "Name", line.words)
    if line.part_number:
        _text(_group(what, "SellersItemIdentification"), "ID", line.part_number)


def _party(parent: Element, name: str, tag: str = "Party") -> None:
    _text(_group(_group(parent, tag), "PartyName"), "Name", name)


def _group(parent: Element, tag: str) -> Element:
    return SubElement(parent, f"{{{_GROUP}}}{tag}")


def _text(parent: Element, tag: str, text: str, **attributes: str) -> None:
    SubElement(parent, f"{{{_BASIC}}}{tag}", attributes).text = text


def _amount(parent: Element, tag: str, amount: Decimal, currency: str) -> None:
    _text(parent, tag, f"{amount:f}", currencyID=currency)
