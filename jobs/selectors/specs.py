"""The spec of an engine type, side by side."""

from fractions import Fraction
from typing import NamedTuple

from jobs.compute.beforehand import Engine, Position
from jobs.compute.windows import default_aim
from jobs.models import EngineType, Side
from jobs.selectors.problem import uncertainty


class Spec(NamedTuple):
    """What is asked of a valve of one side."""

    min_nm: int
    max_nm: int
    aim_nm: int


def spec_of(engine_type: EngineType, side: str) -> Spec:
    """The side's spec, with the aim that follows from it where none is given."""
    name = "intake" if side == Side.INTAKE else "exhaust"
    low, high = getattr(engine_type, f"{name}_min_nm"), getattr(engine_type, f"{name}_max_nm")
    aim = getattr(engine_type, f"{name}_aim_nm")
    return Spec(low, high, default_aim(low, high) if aim is None else aim)


def engine_of(engine_type: EngineType) -> Engine:
    """The engine type as a look ahead takes it."""
    specs = {side: spec_of(engine_type, side) for side in Side.values}
    return Engine(
        positions=tuple(
            Position(label=position.label, side=position.side, **specs[position.side]._asdict())
            for position in engine_type.positions.order_by("order")
        ),
        family=engine_type.family.range,
        lash_ratio=Fraction(engine_type.lash_ratio),
        uncertainty=uncertainty(),
    )
