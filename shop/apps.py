from django.apps import AppConfig
from django.contrib.auth.signals import user_logged_in
from django.utils.module_loading import autodiscover_modules

from shop.pages.idle import note_log_in


class ShopConfig(AppConfig):
    name = "shop"
    default_auto_field = "django.db.models.BigAutoField"
    verbose_name = "Coldgap"

    def ready(self) -> None:
        # What each app does in the background stands in its tasks.py.
        autodiscover_modules("checks", "tasks")
        user_logged_in.connect(note_log_in)
