"""The service's Celery with the tests' tasks: celery -A tests.faults.celery_app worker"""

from shop.celery import app
from tests.faults import handlers

__all__ = ["app", "handlers"]
