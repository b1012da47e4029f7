"""Addresses of the frame: everything else stands under /at/<site>/."""

from django.urls import path

from shop.pages import account

urlpatterns = [
    path("", account.home, name="home"),
    path("you", account.you, name="you"),
    path("log-in", account.log_in, name="login"),
    path("log-out", account.log_out, name="logout"),
]
