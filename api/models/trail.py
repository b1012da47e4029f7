"""Who did what by which key: a row for each write that was done or refused by the state of things."""

from django.conf import settings
from django.db import models

from shop.ids import new_id
from shop.models import Site

from .key import ApiKey


class TrailEntry(models.Model):
    """Written in the transaction of the act itself, once for all repeats of the request; never changed,
    and deleted only when it is old (api/triggers.py).

    `site` is the thing's; null for what all sites share. `who` is the name that the ledger shows.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    key = models.ForeignKey(ApiKey, null=True, on_delete=models.PROTECT, related_name="trail")
    who = models.CharField(max_length=320)
    site = models.ForeignKey(Site, null=True, on_delete=models.PROTECT, related_name="+")
    act = models.CharField(max_length=40)
    method = models.CharField(max_length=8)
    path = models.CharField(max_length=200)
    made = models.CharField(max_length=200, blank=True)
    status = models.PositiveSmallIntegerField()
    request_id = models.CharField(max_length=128, blank=True)

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [
            # The page of one site, newest first.
            models.Index(fields=["site", "-at"], name="trail_by_site"),
            # What the purge may remove.
            models.Index(fields=["at"], name="trail_by_age"),
        ]

    def __str__(self) -> str:
        return f"{self.who}: {self.act}"
