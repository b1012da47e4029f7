"""Background tasks of the project itself; loaded at start so that they are registered."""

from shop.background.work import purge_background
from shop.log_ins import purge_log_in_troubles
from shop.pages.once import purge_used_forms
from shop.webhooks.delivering import purge_webhooks, resume_webhooks

__all__ = [
    "purge_background",
    "purge_log_in_troubles",
    "purge_used_forms",
    "purge_webhooks",
    "resume_webhooks",
]
