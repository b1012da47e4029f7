"""An order as a table, for whoever keys it into a program of their own."""

from collections.abc import Iterator

from inventory.orders.record import OrderRecord
from inventory.spreadsheets.writing import Cell, csv_chunks, xlsx_bytes

HEADER = ("order", "line", "part number", "what", "packs", "pack", "shims", "price", "amount", "currency")


def order_csv(order: OrderRecord) -> bytes:
    return b"".join(csv_chunks(HEADER, _rows(order)))


def order_xlsx(order: OrderRecord) -> bytes:
    return xlsx_bytes(order.name, HEADER, _rows(order))


def _rows(order: OrderRecord) -> Iterator[tuple[Cell, ...]]:
    """The lines, then what delivery costs, then the total. Amounts are texts: no program rounds them anew."""
    for line in order.lines:
        yield (
            order.name,
            line.number,
            line.part_number,
            line.words,
            line.packs,
            line.pack,
            line.pieces,
            "" if line.price is None else f"{line.price.normalize():f}",
            "" if line.amount is None else f"{line.amount:f}",
            order.currency,
        )
    for words, amount in (("Delivery", order.delivery), ("Total", order.total)):
        yield (order.name, "", "", words, "", "", "", "", f"{amount:f}", order.currency)
