"""Which role may do which act: one table for code and tests (law 8).

An action also names the API scopes of which a key must have one. `read` acts are open to every role.
"""

from enum import Enum

TECHNICIAN, COUNTER, MANAGER = "technician", "counter", "manager"
EVERYONE = frozenset({TECHNICIAN, COUNTER, MANAGER})

SCOPES = ("read", "plan", "hold", "jobs", "stock", "purchasing", "admin")


class Action(Enum):
    """One shop act: (words for "may not …", scopes of which a key needs one)."""

    READ = ("look at this site", frozenset(SCOPES))
    PLAN = ("plan a job", frozenset({"plan", "jobs"}))
    MOVE_ACCEPTED = ("move accepted parts of a plan", frozenset({"plan", "jobs"}))
    WORK_JOB = ("work on a job", frozenset({"jobs"}))
    STOP_JOB = ("stop a job", frozenset({"jobs"}))
    HOLD = ("hold shims", frozenset({"hold", "jobs"}))
    TAKE_OVER_HOLD = ("take over a hold", frozenset({"hold", "admin"}))
    HAND_OUT = ("hand out shims", frozenset({"stock", "jobs"}))
    RECEIVE = ("receive shims", frozenset({"stock", "purchasing"}))
    MOVE_STOCK = ("move shims between bins", frozenset({"stock"}))
    INSPECT = ("inspect recovered shims", frozenset({"stock"}))
    SCRAP = ("scrap shims", frozenset({"stock"}))
    REVERSE = ("reverse a movement", frozenset({"stock", "admin"}))
    REGRADE = ("regrade shims", frozenset({"stock"}))
    COUNT = ("count bins", frozenset({"stock"}))
    POST_COUNT = ("post or reject a count", frozenset({"stock"}))
    APPROVE_COUNT = ("approve a count", frozenset({"stock", "admin"}))
    TRANSFER = ("send shims to another site or take them in", frozenset({"stock"}))
    WRITE_OFF = ("write off shims that were lost on their way", frozenset({"stock", "admin"}))
    RETURN_TO_SUPPLIER = ("return shims to a supplier", frozenset({"stock", "purchasing"}))
    EDIT_BINS = ("relocate, merge, split or retire bins", frozenset({"stock", "admin"}))
    PURCHASE = ("work on purchase lists", frozenset({"purchasing"}))
    APPROVE_PURCHASE = ("approve an order above the shop's limit", frozenset({"purchasing", "admin"}))
    SET_MINIMUM = ("set how many shims of a size to keep", frozenset({"stock", "purchasing"}))
    EDIT_CATALOGUE = ("change families, bins or engine types", frozenset({"admin"}))
    EDIT_VEHICLE = ("enter a vehicle", frozenset({"jobs", "admin"}))
    IMPORT = ("import tables", frozenset({"admin"}))
    AUDIT = ("audit the books", frozenset({"admin"}))
    SEE_SAVINGS = ("look at what the shop saves", frozenset({"admin"}))
    MANAGE_KEYS = ("issue or revoke API keys", frozenset({"admin"}))
    MANAGE_WEBHOOKS = ("look at or change who is told of events", frozenset({"admin"}))

    def __init__(self, label: str, scopes: frozenset[str]) -> None:
        self.label = label
        self.scopes = scopes


ALLOWED: dict[Action, frozenset[str]] = {
    Action.READ: EVERYONE,
    Action.PLAN: EVERYONE,
    Action.MOVE_ACCEPTED: frozenset({MANAGER}),
    Action.WORK_JOB: frozenset({TECHNICIAN, MANAGER}),
    Action.STOP_JOB: frozenset({TECHNICIAN, MANAGER}),
    Action.HOLD: EVERYONE,
    Action.TAKE_OVER_HOLD: frozenset({MANAGER}),
    Action.HAND_OUT: EVERYONE,
    Action.RECEIVE: frozenset({COUNTER, MANAGER}),
    Action.MOVE_STOCK: frozenset({COUNTER, MANAGER}),
    Action.INSPECT: EVERYONE,
    Action.SCRAP: frozenset({COUNTER, MANAGER}),
    Action.REVERSE: frozenset({MANAGER}),
    Action.REGRADE: frozenset({COUNTER, MANAGER}),
    # Technicians count too: the second count is another person's.
    Action.COUNT: EVERYONE,
    Action.POST_COUNT: frozenset({COUNTER, MANAGER}),
    Action.APPROVE_COUNT: frozenset({MANAGER}),
    Action.TRANSFER: frozenset({COUNTER, MANAGER}),
    Action.WRITE_OFF: frozenset({MANAGER}),
    Action.RETURN_TO_SUPPLIER: frozenset({COUNTER, MANAGER}),
    Action.EDIT_BINS: frozenset({COUNTER, MANAGER}),
    Action.PURCHASE: frozenset({COUNTER, MANAGER}),
    Action.APPROVE_PURCHASE: frozenset({MANAGER}),
    Action.SET_MINIMUM: frozenset({COUNTER, MANAGER}),
    Action.EDIT_CATALOGUE: frozenset({MANAGER}),
    Action.EDIT_VEHICLE: EVERYONE,
    Action.IMPORT: frozenset({MANAGER}),
    Action.AUDIT: frozenset({MANAGER}),
    Action.SEE_SAVINGS: frozenset({MANAGER}),
    Action.MANAGE_KEYS: frozenset({MANAGER}),
    Action.MANAGE_WEBHOOKS: frozenset({MANAGER}),
}
