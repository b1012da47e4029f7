"""The sets of words that fields take: each has a name of its own in the document (see the settings).

Without that the generator would name them, and name them anew when a neighbour changes.
"""

from typing import get_args

from inventory.compute.counting import Pace
from inventory.compute.lengths import Unit
from inventory.models import (
    BinCount,
    Condition,
    Hold,
    ImportRow,
    ImportRun,
    Inspection,
    Need,
    PlaceKind,
    PurchaseList,
    Reason,
    ShimFamily,
    SupplierClaim,
    Transfer,
)
from inventory.selectors.happenings import KINDS
from inventory.services.claims import SETTLED
from jobs.compute.alternatives import WISHES, Asked, name_of
from jobs.compute.beforehand import Basis, SizeState
from jobs.compute.exchange.types import CauseKind
from jobs.models import HandOver, Job, JobValve, Plan, ShopPlan, Side
from jobs.services.states import Act
from shop.models import Role, Task, WebhookDelivery
from shop.webhooks.events import EventKind

ACTIONS = ("keep", "swap", "stock", "buy", "unresolved", "measure")
SHOP_ACTIONS = ("keep", "swap", "tray", "stock", "order", "buy", "unresolved", "measure")
ACTS = tuple(act.value for act in Act)
ADJUSTS = tuple(JobValve.Adjust.values)
CHECK_BASES = get_args(Basis)
CONDITIONS = tuple(Condition.values)
CAUSES = get_args(CauseKind)
CLAIM_KINDS = tuple(SupplierClaim.Kind.values)
CLAIM_OUTCOMES = tuple(SETTLED)
CLAIM_STATES = tuple(SupplierClaim.State.values)
COUNT_PACES = tuple(pace.value for pace in Pace)
COUNT_STATES = tuple(BinCount.State.values)
DELIVERY_STATES = tuple(WebhookDelivery.State.values)
EVENT_KINDS = tuple(EventKind.values)
FACES = tuple(Inspection.Face.values)
FATES = tuple(Inspection.Fate.values)
HAPPENING_KINDS = tuple(KINDS)
HAND_OVER_STATES = tuple(HandOver.State.values)
FORMS = tuple(ShimFamily.Form.values)
FOUND_CONDITIONS = ("used", "unmeasured")
HOLD_STATES = tuple(Hold.State.values)
IMPORT_STATES = tuple(ImportRun.State.values)
JOB_STATES = tuple(Job.State.values)
KNOWN_BY = tuple(JobValve.KnownBy.values)
MARKINGS = tuple(ShimFamily.Marking.values)
NEED_ORIGINS = tuple(Need.Origin.values)
NEED_STATES = tuple(Need.State.values)
PLACE_KINDS = tuple(PlaceKind.values)
PLAN_ALTERNATIVES = tuple(name_of(Asked(wish, here)) for wish in WISHES for here in (False, True))
PLAN_STATES = tuple(Plan.State.values)
PLANNABLE_CONDITIONS = ("new", "used")
PURCHASE_LIST_STATES = tuple(PurchaseList.State.values)
REASONS = tuple(Reason.values)
SHELF_STATES = get_args(SizeState)
SHOP_PLAN_STATES = tuple(ShopPlan.State.values)
ROW_FATES = tuple(ImportRow.Fate.values)
ROLES = tuple(Role.values)
SIDES = tuple(Side.values)
TASK_STATES = tuple(Task.State.values)
TRANSFER_STATES = tuple(Transfer.State.values)
UNITS = tuple(unit.value for unit in Unit)
VERDICTS = ("in_spec", "at_limit", "tight", "loose")
