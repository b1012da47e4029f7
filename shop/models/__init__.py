from .background import OutboxEvent, PeriodicSlot, Task
from .log_ins import LogInTrouble
from .pages import UsedForm
from .people import Bay, Membership, Role, Site, User
from .webhooks import WebhookDelivery, WebhookEndpoint, WebhookSecret

__all__ = [
    "Bay",
    "LogInTrouble",
    "Membership",
    "OutboxEvent",
    "PeriodicSlot",
    "Role",
    "Site",
    "Task",
    "UsedForm",
    "User",
    "WebhookDelivery",
    "WebhookEndpoint",
    "WebhookSecret",
]
