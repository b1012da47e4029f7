from .engine import EngineItem, EnginePosition, EngineType, Side
from .fit import Fit
from .job import Job, JobEvent, JobValve
from .plan import Plan, PlanLine
from .reading import ClearanceReading, ShimReading
from .shop_plan import HandOver, ShopPlan, ShopPlanJob, ShopPlanPart
from .vehicle import Vehicle

__all__ = [
    "ClearanceReading",
    "EngineItem",
    "EnginePosition",
    "EngineType",
    "Fit",
    "HandOver",
    "Job",
    "JobEvent",
    "JobValve",
    "Plan",
    "PlanLine",
    "ShimReading",
    "ShopPlan",
    "ShopPlanJob",
    "ShopPlanPart",
    "Side",
    "Vehicle",
]
