"""Every address of the service. This file and the demo command alone see all packages."""

from django.urls import URLPattern, URLResolver, path

from shop import health

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
]
