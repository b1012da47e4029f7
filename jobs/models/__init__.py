from .engine import EngineItem, EnginePosition, EngineType, Side
from .fit import Fit
from .job import Job, JobEvent, JobValve
from .plan import Plan, PlanLine
from .reading import ClearanceReading, ShimReading
from .vehicle import Vehicle

__all__ = [
    "ClearanceReading",
    "EngineItem",
    "EnginePosition",
    "EngineType",
    "Fit",
    "Job",
    "JobEvent",
    "JobValve",
    "Plan",
    "PlanLine",
    "ShimReading",
    "Side",
    "Vehicle",
]
