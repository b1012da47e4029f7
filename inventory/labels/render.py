"""Drawing labels with ReportLab, QR codes with segno."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from pathlib import Path

import reportlab
import segno
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from inventory.labels.types import Label, Sheet

# Twenty sheets. Whoever may read may ask for them: so many that differ take 4 s of a processor where their
# codes were not found before, so many that are alike 0.1 s.
MOST_LABELS = 500
QUIET_ZONE = 4  # modules of white around the symbol: ISO/IEC 18004, 6.3.8
_PLAIN, _BOLD = "Label", "LabelBold"


@dataclass(frozen=True, slots=True)
class _Box:
    """Where one label goes, in points from the page's lower left corner."""

    x: float
    y: float
    width: float
    height: float


def render_sheet(labels: Sequence[Label], sheet: Sheet = Sheet.A4_24, *, skip: int = 0) -> bytes:
    """Labels row by row on as many pages as they need, as a PDF.

    `skip` leaves the first places of the first page empty, for a sheet that was begun. Raises ValueError for
    no label, for more than 500, and when `skip` leaves no place on the first page.
    """
    paper = sheet.format
    if not 1 <= len(labels) <= MOST_LABELS:
        raise ValueError(f"1 to {MOST_LABELS} labels are printed at once; these are {len(labels)}")
    if not 0 <= skip < paper.per_page:
        raise ValueError(
            f"0 to {paper.per_page - 1} places can be skipped; {skip} is more than the sheet has"
        )
    out, canvas = _canvas(paper.page_width, paper.page_height)
    width, height = paper.label_width * mm, paper.label_height * mm
    drawn = _drawn_once(canvas, labels, width, height)
    for number, label in enumerate(labels, start=skip):
        page, place = divmod(number, paper.per_page)
        if place == 0 and page > 0:
            canvas.showPage()
        row, column = divmod(place, paper.columns)
        box = _Box(
            x=(paper.left + column * (paper.label_width + paper.gap_x)) * mm,
            y=(paper.page_height - paper.top - (row + 1) * paper.label_height - row * paper.gap_y) * mm,
            width=width,
            height=height,
        )
        _put(canvas, label, box, drawn)
    canvas.save()
    return out.getvalue()


def render_single(label: Label, *, copies: int = 1, width_mm: float = 62, height_mm: float = 29) -> bytes:
    """One label on a page of its own size, for a label printer; so many such pages, all alike.

    Raises ValueError below 25 × 15 mm, for no copy and for more than 500.
    """
    if width_mm < 25 or height_mm < 15 or width_mm > 300 or height_mm > 300:
        raise ValueError(f"a label is 25 × 15 to 300 × 300 mm; this one is {width_mm} × {height_mm} mm")
    if not 1 <= copies <= MOST_LABELS:
        raise ValueError(f"1 to {MOST_LABELS} labels are printed at once; these are {copies}")
    out, canvas = _canvas(width_mm, height_mm)
    box = _Box(x=0, y=0, width=width_mm * mm, height=height_mm * mm)
    drawn = _drawn_once(canvas, [label] * copies, box.width, box.height)
    for number in range(copies):
        if number:
            canvas.showPage()
        _put(canvas, label, box, drawn)
    canvas.save()
    return out.getvalue()


def _canvas(width_mm: float, height_mm: float) -> tuple[BytesIO, Canvas]:
    _register_fonts()
    out = BytesIO()
    # Invariant: the same labels give the same bytes, so that a download can carry an ETag.
    canvas = Canvas(out, pagesize=(width_mm * mm, height_mm * mm), invariant=1)
    canvas.setTitle("Labels")
    canvas.setCreator("Coldgap")
    return out, canvas


def _register_fonts() -> None:
    if _PLAIN in pdfmetrics.getRegisteredFontNames():
        return
    fonts = Path(reportlab.__file__).parent / "fonts"
    pdfmetrics.registerFont(TTFont(_PLAIN, str(fonts / "Vera.ttf")))
    pdfmetrics.registerFont(TTFont(_BOLD, str(fonts / "VeraBd.ttf")))


def _drawn_once(canvas: Canvas, labels: Sequence[Label], width: float, height: float) -> dict[Label, str]:
    """Of labels that are wanted several times each is drawn once and then named where it goes: by label the
    name of its drawing."""
    alike = [label for label, wanted in Counter(labels).items() if wanted > 1]
    drawn = {label: f"label{number}" for number, label in enumerate(alike, start=1)}
    for label, name in drawn.items():
        canvas.beginForm(name, 0, 0, width, height)
        _draw(canvas, label, _Box(x=0, y=0, width=width, height=height))
        canvas.endForm()
    return drawn


def _put(canvas: Canvas, label: Label, box: _Box, drawn: dict[Label, str]) -> None:
    if label not in drawn:
        _draw(canvas, label, box)
        return
    canvas.saveState()
    canvas.translate(box.x, box.y)
    canvas.doForm(drawn[label])
    canvas.restoreState()


def _draw(canvas: Canvas, label: Label, box: _Box) -> None:
    margin = min(box.width, box.height) * 0.08
    side = min(box.height - 2 * margin, box.width * 0.42)
    draw_qr(canvas, label.url, box.x + box.width - margin - side, box.y + (box.height - side) / 2, side)
    left, room = box.x + margin, box.width - side - 3 * margin
    inner = box.height - 2 * margin
    baseline = box.y + box.height - margin

    size = _fitting(label.code, _BOLD, inner * 0.18, room)
    baseline -= size
    _text(canvas, label.code, _BOLD, size, left, baseline)

    unit_share = 0.35
    wanted = inner * 0.42
    width_at_one = pdfmetrics.stringWidth(label.headline, _BOLD, 1) + (
        pdfmetrics.stringWidth(f" {label.unit}", _PLAIN, unit_share) if label.unit else 0
    )
    size = min(wanted, room / width_at_one) if width_at_one else wanted
    baseline -= inner * 0.08 + size * 0.8
    _text(canvas, label.headline, _BOLD, size, left, baseline)
    if label.unit:
        after = left + pdfmetrics.stringWidth(label.headline, _BOLD, size)
        _text(canvas, f" {label.unit}", _PLAIN, size * unit_share, after, baseline)

    lines = [text for text in (label.family, label.detail) if text]
    low = box.y + margin
    for text in reversed(lines):
        size = _fitting(text, _PLAIN, inner * 0.13, room)
        _text(canvas, text, _PLAIN, size, left, low + size * 0.2)
        low += inner * 0.16


def _text(canvas: Canvas, text: str, font: str, size: float, x: float, y: float) -> None:
    canvas.setFont(font, size)
    canvas.drawString(x, y, text)


def _fitting(text: str, font: str, size: float, room: float) -> float:
    """The wanted size, or less where the text would run into the QR code."""
    width = pdfmetrics.stringWidth(text, font, size)
    return size if width <= room else size * room / width


def draw_qr(canvas: Canvas, text: str, x: float, y: float, side: float) -> None:
    """A code with its quiet zone, in a square of `side` points whose lower left corner is at x, y."""
    rows = _modules(text)
    # In modules from the upper left corner, so that every figure is a small whole number: others take long to
    # write.
    shapes = []
    for row_number, row in enumerate(rows, start=1):
        start = None
        # Dark modules side by side become one rectangle: hairlines between them confuse readers.
        for column, dark in enumerate([*row, 0]):
            if dark and start is None:
                start = column
            elif not dark and start is not None:
                shapes.append(f"{start} {-row_number} {column - start} 1 re")
                start = None
    canvas.saveState()
    canvas.setFillGray(0)
    canvas.translate(x, y + side)
    canvas.scale(side / len(rows), side / len(rows))
    canvas.drawPath(PDFPathObject(code=shapes), stroke=0, fill=1)
    canvas.restoreState()


@lru_cache(maxsize=1024)
def _modules(text: str) -> tuple[bytes, ...]:
    """The code's rows, 1 for a dark module, with the quiet zone. Finding the mask that reads best takes most
    of the time of a sheet, and a bin's address stays what it is.
    """
    symbol = segno.make_qr(text, error="m", boost_error=False)
    return tuple(bytes(row) for row in symbol.matrix_iter(border=QUIET_ZONE))
