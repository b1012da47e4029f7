"""The shim families of the invented shop. Diameters, ranges and codes belong to nobody."""

from dataclasses import dataclass

from inventory.models import ShimFamily

_Form, _Marking = ShimFamily.Form, ShimFamily.Marking


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyFacts:
    """One family as it is keyed in, lengths in mm."""

    code: str
    name: str
    form: ShimFamily.Form
    marking: ShimFamily.Marking
    diameter_mm: str
    thinnest_mm: str
    thickest_mm: str
    step_mm: str


FAMILIES = (
    FamilyFacts(
        code="over-27",
        name="Disc over the bucket, 27 mm",
        form=_Form.DISC_OVER,
        marking=_Marking.THOUSANDTHS,
        diameter_mm="27.0",
        thinnest_mm="2.000",
        thickest_mm="3.300",
        step_mm="0.050",
    ),
    FamilyFacts(
        code="over-34",
        name="Disc over the bucket, 34 mm",
        form=_Form.DISC_OVER,
        marking=_Marking.DECIMAL,
        diameter_mm="34.0",
        thinnest_mm="2.200",
        thickest_mm="3.700",
        step_mm="0.025",
    ),
    FamilyFacts(
        code="under-86",
        name="Disc under the bucket, 8.6 mm",
        form=_Form.DISC_UNDER,
        marking=_Marking.HUNDREDTHS,
        diameter_mm="8.6",
        thinnest_mm="1.200",
        thickest_mm="3.000",
        step_mm="0.025",
    ),
    FamilyFacts(
        code="under-68",
        name="Disc under the bucket, 6.8 mm",
        form=_Form.DISC_UNDER,
        marking=_Marking.THOUSANDTHS,
        diameter_mm="6.8",
        thinnest_mm="1.500",
        thickest_mm="2.700",
        step_mm="0.020",
    ),
    FamilyFacts(
        code="cap-124",
        name="Cap over the stem, 12.4 mm",
        form=_Form.CAP,
        marking=_Marking.DECIMAL,
        diameter_mm="12.4",
        thinnest_mm="1.800",
        thickest_mm="3.200",
        step_mm="0.050",
    ),
    FamilyFacts(
        code="cap-152",
        name="Cap over the stem, 15.2 mm",
        form=_Form.CAP,
        marking=_Marking.THOUSANDTHS,
        diameter_mm="15.2",
        thinnest_mm="2.100",
        thickest_mm="3.600",
        step_mm="0.025",
    ),
)
