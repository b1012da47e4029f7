"""Keys with which programs act in a person's name."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from shop.ids import new_id
from shop.models import Site


class ApiKey(models.Model):
    """A program's key. The secret is shown once; what is kept is its SHA-256, which opens nothing.

    The key never does more than its person: the roles are those of `user`, at those of `sites` where they
    have one, and each act needs one of `scopes` besides.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    name = models.CharField(max_length=80)
    prefix = models.CharField(max_length=12, unique=True)
    # A plain hash is enough for 256 random bits (ASVS 6.5.2); it is what a request's key is looked up by.
    secret_sha256 = models.CharField(max_length=64, unique=True)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="api_keys")
    sites = models.ManyToManyField(Site, related_name="api_keys")
    scopes = models.JSONField(default=list)
    requests_per_minute = models.PositiveIntegerField(default=600)
    created_at = models.DateTimeField()
    created_by = models.CharField(max_length=160)
    expires_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    # Written once a minute at most.
    last_used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at", "id"]
        verbose_name = "API key"
        constraints = [
            models.CheckConstraint(condition=Q(requests_per_minute__gte=1), name="apikey_limit_above_zero"),
        ]

    def __str__(self) -> str:
        return self.name
