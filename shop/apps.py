from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class ShopConfig(AppConfig):
    name = "shop"
    default_auto_field = "django.db.models.BigAutoField"
    verbose_name = "Coldgap"

    def ready(self) -> None:
        # What each app does in the background stands in its tasks.py.
        autodiscover_modules("checks", "tasks")
