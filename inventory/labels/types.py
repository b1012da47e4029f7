"""What a label says and what paper it is printed on."""

from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """One label.

    headline: what is read from two steps away: the thickness ("2.650"), or a tray's number.
    unit: set small behind the headline, "" for none.
    code: the place's code ("B07").
    family: the family's name, "" for none.
    detail: one more line: where in the cabinet, or how many in the pack.
    url: the address that the QR code opens.
    """

    headline: str
    unit: str = ""
    code: str
    family: str = ""
    detail: str = ""
    url: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFormat:
    """A page of equal labels; in millimetres; columns from the left, rows from the top."""

    page_width: float
    page_height: float
    columns: int
    rows: int
    label_width: float
    label_height: float
    left: float
    top: float
    gap_x: float = 0.0
    gap_y: float = 0.0

    @property
    def per_page(self) -> int:
        return self.columns * self.rows


class Sheet(StrEnum):
    """The sheets that are offered; A4 is 210 × 297 mm (ISO 216)."""

    A4_24 = "a4-24"
    A4_65 = "a4-65"

    @property
    def label(self) -> str:
        return {self.A4_24: "A4, 24 labels of 70 × 37 mm", self.A4_65: "A4, 65 labels of 38 × 21 mm"}[self]

    @property
    def format(self) -> SheetFormat:
        return _FORMATS[self]


_FORMATS = {
    Sheet.A4_24: SheetFormat(
        page_width=210,
        page_height=297,
        columns=3,
        rows=8,
        label_width=70,
        label_height=37,
        left=0,
        top=0.5,
    ),
    Sheet.A4_65: SheetFormat(
        page_width=210,
        page_height=297,
        columns=5,
        rows=13,
        label_width=38.1,
        label_height=21.2,
        left=4.75,
        top=10.7,
        gap_x=2.5,
    ),
}
