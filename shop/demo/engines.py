"""The engine types of the invented shop, with the clearances that their invented manuals ask for."""

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineFacts:
    """One engine type as it is keyed in.

    intake, exhaust: least and most clearance as the manual prints them, in `unit`; a third figure is the aim
    where the manual names one. valves: intake and exhaust valves per cylinder. items: quantity, name, note.
    """

    code: str
    name: str
    cylinders: int
    banks: int
    valves: tuple[int, int]
    family: str
    unit: str
    intake: tuple[str, ...]
    exhaust: tuple[str, ...]
    spec_source: str
    lash_ratio: Decimal = Decimal(1)
    items: tuple[tuple[str, str, str], ...]


_RUNDOWN = "Turn the engine two full turns by hand before the cover goes on"
_SEALANT = ("as needed", "Sealant for the corners of the cam housing", "thin bead, let it skin first")

ENGINES = (
    EngineFacts(
        code="ondrel-2",
        name="Ondrel twin, 8 valves",
        cylinders=2,
        banks=1,
        valves=(2, 2),
        family="under-68",
        unit="mm",
        intake=("0.10", "0.17"),
        exhaust=("0.17", "0.24"),
        spec_source="Ondrel workshop manual, third edition, section 5.2",
        items=(
            ("1", "Cover gasket", "replace each time"),
            ("2", "Plug well seal", ""),
            ("4", "Cover bolt seal", "replace when hard"),
            ("1.4 l", "Coolant", "the tank comes off"),
        ),
    ),
    EngineFacts(
        code="vassik-3",
        name="Vassik triple, 12 valves",
        cylinders=3,
        banks=1,
        valves=(2, 2),
        family="over-27",
        unit="in",
        intake=("0.006", "0.010"),
        exhaust=("0.010", "0.014"),
        spec_source="Vassik service handbook, sheet 14",
        items=(
            ("1", "Cover gasket", "replace each time"),
            ("3", "Plug well seal", ""),
            ("2", "Half-moon plug", "a dab of sealant under each"),
        ),
    ),
    EngineFacts(
        code="pellam-4",
        name="Pellam four, 8 valves",
        cylinders=4,
        banks=1,
        valves=(1, 1),
        family="over-34",
        unit="mm",
        intake=("0.15", "0.25", "0.20"),
        exhaust=("0.25", "0.35", "0.30"),
        spec_source="Pellam repair guide, chapter 3, table 2",
        items=(
            ("1", "Cover gasket", "replace each time"),
            ("1", "Breather seal", ""),
            _SEALANT,
        ),
    ),
    EngineFacts(
        code="pellam-4s",
        name="Pellam sport four, 20 valves",
        cylinders=4,
        banks=1,
        valves=(3, 2),
        family="under-68",
        unit="mm",
        intake=("0.11", "0.20"),
        exhaust=("0.21", "0.30"),
        spec_source="Pellam repair guide, sport supplement, page 31",
        items=(
            ("1", "Cover gasket", "replace each time"),
            ("4", "Plug well seal", ""),
            ("1", "Tensioner gasket", _RUNDOWN),
            ("2.1 l", "Coolant", ""),
        ),
    ),
    EngineFacts(
        code="torvane-5",
        name="Torvane five, 20 valves",
        cylinders=5,
        banks=1,
        valves=(2, 2),
        family="cap-124",
        unit="in",
        intake=("0.007", "0.011"),
        exhaust=("0.011", "0.015"),
        spec_source="Torvane engine manual, part B, 7.4 (measured at the cam, finger followers)",
        # The cam presses in the middle of a finger, the cap sits at its end.
        lash_ratio=Decimal("0.75"),
        items=(
            ("1", "Cover gasket", "replace each time"),
            ("5", "Plug well seal", ""),
            ("1", "Vacuum pump seal", "the pump comes off with the cover"),
        ),
    ),
    EngineFacts(
        code="quennick-6",
        name="Quennick straight six, 24 valves",
        cylinders=6,
        banks=1,
        valves=(2, 2),
        family="over-34",
        unit="in",
        intake=("0.008", "0.012"),
        exhaust=("0.012", "0.016"),
        spec_source="Quennick shop manual, volume 1, section EM-9",
        items=(
            ("2", "Cover gasket", "one per camshaft, replace each time"),
            ("6", "Plug well seal", ""),
            ("14", "Cover bolt washer", "copper, replace each time"),
            _SEALANT,
        ),
    ),
    EngineFacts(
        code="olmarne-8",
        name="Olmarne V8, 32 valves",
        cylinders=8,
        banks=2,
        valves=(2, 2),
        family="under-86",
        unit="in",
        intake=("0.006", "0.010"),
        exhaust=("0.010", "0.014"),
        spec_source="Olmarne technical book, group 12, page 88",
        items=(
            ("2", "Cover gasket", "left and right differ; replace each time"),
            ("8", "Plug well seal", ""),
            ("4", "Half-moon plug", ""),
            ("3.5 l", "Coolant", "the crossover pipe comes off"),
        ),
    ),
    EngineFacts(
        code="olmarne-12",
        name="Olmarne V12, 48 valves",
        cylinders=12,
        banks=2,
        valves=(2, 2),
        family="cap-152",
        unit="in",
        intake=("0.005", "0.009"),
        exhaust=("0.009", "0.013"),
        spec_source="Olmarne technical book, group 18, page 41",
        items=(
            ("2", "Cover gasket", "left and right differ; replace each time"),
            ("12", "Plug well seal", ""),
            ("2", "Intake manifold gasket", "the manifold comes off first"),
            ("6.0 l", "Coolant", ""),
        ),
    ),
)
