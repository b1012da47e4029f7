"""Every address of the service. This file and the demo command alone see all packages."""

from django.urls import URLPattern, URLResolver, include, path

from shop import health

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
    path("api/", include("api.urls")),
    path("", include("shop.pages.urls")),
    path("at/<slug:site>/", include("jobs.ui.urls")),
    path("at/<slug:site>/", include("inventory.ui.urls")),
]

handler400 = "shop.pages.errors.bad_request"
handler403 = "shop.pages.errors.forbidden"
handler404 = "shop.pages.errors.not_found"
handler500 = "shop.pages.errors.broken"
