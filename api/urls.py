"""Every address of the API, version 1. No trailing slashes."""

from django.urls import path

from api.plans import Plans

app_name = "api"
urlpatterns = [
    path("v1/plans", Plans.as_view(), name="plans"),
]
