"""The entrance for gunicorn. It refuses to start on unsafe settings: gunicorn itself runs no checks."""

import os
from importlib import import_module

from django.conf import settings
from django.core.wsgi import get_wsgi_application

from shop.background import announce
from shop.checks import refuse_unsafe_start
from shop.patience import Patient

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
application = Patient(get_wsgi_application())
refuse_unsafe_start(wait=True)
announce.load()
for name in settings.LOADED_BY_SERVERS:
    import_module(name)
