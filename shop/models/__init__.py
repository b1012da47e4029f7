from .background import OutboxEvent, PeriodicSlot, Task
from .pages import UsedForm
from .people import Bay, Membership, Role, Site, User

__all__ = ["Bay", "Membership", "OutboxEvent", "PeriodicSlot", "Role", "Site", "Task", "UsedForm", "User"]
