"""Printable labels for bins, trays and packs, as PDF: the thickness large, the family, and a QR code.

The QR code (ISO/IEC 18004, error correction M) holds the address of the page that it opens. Lengths on paper
are in millimetres from the foot of the page's left edge; everything is drawn as vectors, so that a label
printer of any resolution gives sharp modules.
"""

from .render import MOST_LABELS, draw_qr, render_sheet, render_single
from .types import Label, Sheet, SheetFormat

__all__ = ["MOST_LABELS", "Label", "Sheet", "SheetFormat", "draw_qr", "render_sheet", "render_single"]
