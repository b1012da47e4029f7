"""For gunicorn: the product as shop.wsgi has it, at the addresses of beside.py."""

from django.conf import settings

from shop.wsgi import application

__all__ = ["application"]

# The first request looks there: the product's own addresses stay as they are.
settings.ROOT_URLCONF = "tests.bench.beside"
