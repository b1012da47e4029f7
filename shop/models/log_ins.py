"""How often logging in went wrong lately, for the throttle (shop/log_ins.py)."""

from django.db import models


class LogInTrouble(models.Model):
    """Attempts that did not lead in, of one person's name from one network, or of one network as a whole.

    `mark` is a hash: what somebody keyed as a name may have been a password.
    """

    mark = models.CharField(max_length=64, primary_key=True)
    failures = models.PositiveIntegerField(default=0)
    blocked_until = models.DateTimeField(null=True, blank=True)
    last_at = models.DateTimeField(db_index=True)

    def __str__(self) -> str:
        return f"{self.failures} failures"
