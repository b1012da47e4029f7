"""An order as a printable page."""

from io import BytesIO
from pathlib import Path

import reportlab
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from inventory.labels import draw_qr
from inventory.orders.record import OrderLine, OrderRecord

_PLAIN, _BOLD = "Order", "OrderBold"
_WIDTH, _HEIGHT = A4
_LEFT, _RIGHT = 20 * mm, _WIDTH - 20 * mm
_TOP, _FOOT = _HEIGHT - 20 * mm, 24 * mm
_ROW = 7 * mm
_CODE = 28 * mm
_SOFT, _LINE = HexColor("#555555"), HexColor("#bbbbbb")
_PART, _WHAT, _PACKS, _PRICE = _LEFT + 9 * mm, _LEFT + 43 * mm, _RIGHT - 52 * mm, _RIGHT - 27 * mm


def order_pdf(order: OrderRecord, *, copy: bool = False) -> bytes:
    """One A4 page, more where the lines need them; the totals stand under the last line. A draft and a copy
    say that they are one. A code in the first page's corner opens the taking in; a draft, of which nothing
    comes, has none."""
    _fonts()
    out = BytesIO()
    canvas = Canvas(out, pagesize=A4, invariant=1)
    canvas.setTitle(f"Order {order.name}")
    canvas.setAuthor(order.buyer[0])
    y = _head(canvas, order, copy)
    for line in order.lines:
        if y < _FOOT + _ROW:
            y = _next_page(canvas, order)
        _row(canvas, line, y)
        y -= _ROW
    if y < _FOOT + 5 * _ROW:
        y = _next_page(canvas, order)
    _totals(canvas, order, y)
    _foot(canvas, order)
    canvas.save()
    return out.getvalue()


def _fonts() -> None:
    """ReportLab brings a typeface that has the signs of every language with Latin letters."""
    if _PLAIN not in pdfmetrics.getRegisteredFontNames():
        folder = Path(reportlab.__file__).parent / "fonts"
        pdfmetrics.registerFont(TTFont(_PLAIN, folder / "Vera.ttf"))
        pdfmetrics.registerFont(TTFont(_BOLD, folder / "VeraBd.ttf"))


def _head(canvas: Canvas, order: OrderRecord, copy: bool) -> float:
    y, beside_code = _TOP, _RIGHT - _CODE - _LEFT - 4 * mm
    if not order.draft:
        _code(canvas, order.scanned)
    _say(canvas, _LEFT, y, _fitted(order.buyer[0], beside_code, _BOLD, 14), _BOLD, 14)
    for line in order.buyer[1:7]:
        y -= 5 * mm
        _say(canvas, _LEFT, y, _fitted(line, beside_code), size=9)
    y -= 16 * mm
    _say(canvas, _LEFT, y, f"To {order.supplier}", size=11)
    kind = "Draft, not an order" if order.draft else "Copy of an order that you have" if copy else ""
    y -= 14 * mm
    _say(canvas, _LEFT, y, f"Order {order.name}", _BOLD, 16)
    if kind:
        canvas.setFillColor(_SOFT)
        canvas.setFont(_BOLD, 10)
        canvas.drawRightString(_RIGHT, y, kind)
        canvas.setFillColor(HexColor("#000000"))
    y -= 7 * mm
    facts = [f"Date {order.issued.isoformat()}"]
    facts += [f"Our number with you {order.our_number}"] if order.our_number else []
    facts += [f"Your reference {order.reference}"] if order.reference else []
    facts += [f"Expected {order.expected.isoformat()}"] if order.expected else []
    _say(canvas, _LEFT, y, " · ".join(facts), size=9)
    y -= 5 * mm
    _say(canvas, _LEFT, y, f"Deliver to {order.site}", size=9)
    return _heading(canvas, order, y - 12 * mm)


def _code(canvas: Canvas, scanned: str) -> None:
    bottom = _TOP + 5 * mm - _CODE
    draw_qr(canvas, scanned, _RIGHT - _CODE, bottom, _CODE)
    canvas.setFillColor(_SOFT)
    canvas.setFont(_PLAIN, 7)
    canvas.drawCentredString(_RIGHT - _CODE / 2, bottom - 1 * mm, "Scan when it comes")
    canvas.setFillColor(HexColor("#000000"))


def _heading(canvas: Canvas, order: OrderRecord, y: float) -> float:
    canvas.setFillColor(_SOFT)
    canvas.setFont(_PLAIN, 8)
    for x, words in ((_LEFT, "No."), (_PART, "Part number"), (_WHAT, "What")):
        canvas.drawString(x, y, words)
    for x, words in ((_PACKS, "Packs"), (_PRICE, "Price"), (_RIGHT, f"Amount {order.currency}")):
        canvas.drawRightString(x, y, words)
    canvas.setFillColor(HexColor("#000000"))
    canvas.setStrokeColor(_LINE)
    canvas.line(_LEFT, y - 2 * mm, _RIGHT, y - 2 * mm)
    return y - _ROW


def _row(canvas: Canvas, line: OrderLine, y: float) -> None:
    _say(canvas, _LEFT, y, str(line.number), size=9)
    _say(canvas, _PART, y, _fitted(line.part_number, _WHAT - _PART - 2 * mm), size=9)
    _say(canvas, _WHAT, y, _fitted(line.words, _PACKS - _WHAT - 14 * mm), size=9)
    canvas.drawRightString(_PACKS, y, str(line.packs))
    canvas.drawRightString(_PRICE, y, "" if line.price is None else f"{line.price.normalize():f}")
    canvas.drawRightString(_RIGHT, y, "to be told" if line.amount is None else f"{line.amount:f}")


def _totals(canvas: Canvas, order: OrderRecord, y: float) -> None:
    canvas.line(_LEFT, y + 3 * mm, _RIGHT, y + 3 * mm)
    rows = [("Goods", order.goods), ("Delivery", order.delivery), ("Total", order.total)]
    for words, amount in rows:
        font = _BOLD if words == "Total" else _PLAIN
        canvas.setFont(font, 9)
        canvas.drawRightString(_PRICE, y - 2 * mm, words)
        canvas.drawRightString(_RIGHT, y - 2 * mm, f"{amount:f} {order.currency}")
        y -= 5 * mm
    if order.unpriced:
        _say(canvas, _LEFT, y, "Please tell us the missing prices; they are not in the total.", size=9)


def _foot(canvas: Canvas, order: OrderRecord) -> None:
    words = f"Order {order.name}, page {canvas.getPageNumber()}"
    canvas.setFillColor(_SOFT)
    canvas.setFont(_PLAIN, 8)
    canvas.drawRightString(_RIGHT, 12 * mm, words)
    canvas.drawString(_LEFT, 12 * mm, "However often it reaches you, this is one order.")
    canvas.setFillColor(HexColor("#000000"))


def _next_page(canvas: Canvas, order: OrderRecord) -> float:
    _foot(canvas, order)
    canvas.showPage()
    return _heading(canvas, order, _TOP)


def _say(canvas: Canvas, x: float, y: float, words: str, font: str = _PLAIN, size: float = 10) -> None:
    canvas.setFont(font, size)
    canvas.drawString(x, y, words)


def _fitted(words: str, width: float, font: str = _PLAIN, size: float = 9) -> str:
    """The words, cut with an ellipsis where the column ends."""
    if stringWidth(words, font, size) <= width:
        return words
    while words and stringWidth(f"{words}…", font, size) > width:
        words = words[:-1]
    return f"{words}…"
