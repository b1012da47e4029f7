"""Guessing at passwords is slowed down, and nobody is locked out by a stranger (bar S3).

An attempt is counted before the password is looked at and taken back when it was right: of many guesses at
once only as many reach the hasher as one after the other would. Counted are the name from this network,
and this network as a whole; never the name alone, which would let anybody in the world lock anybody else out.
After the free attempts each further one waits longer than the one before, 1 s, 2 s, 4 s, … 15 minutes.
"""

import hashlib
import ipaddress
import unicodedata
from collections.abc import Mapping
from datetime import datetime, timedelta
from math import ceil

import structlog

from shop.background.context import TaskContext
from shop.background.registry import periodic
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import ShopError
from shop.models import LogInTrouble

FREE_FOR_A_NAME = 5
# A whole shop may stand behind one address: two shifts mistype more often than one person.
FREE_FOR_A_NETWORK = 10
LONGEST = timedelta(minutes=15)
FORGOTTEN_AFTER = timedelta(hours=1)
_log = structlog.get_logger("coldgap.log_in")


class TooManyAttempts(ShopError):
    """Wait before the next attempt; `wait` in whole seconds."""

    code = "too-many-attempts"
    status = 429

    def __init__(self, wait: int) -> None:
        words = f"{wait} second{'' if wait == 1 else 's'}" if wait < 120 else f"{ceil(wait / 60)} minutes"
        super().__init__(
            f"Too many attempts from here did not succeed. Wait {words}, then try again. "
            "Other places can log in meanwhile."
        )
        self.wait = wait


def client_address(meta: Mapping[str, str]) -> str:
    """Where a request came from. X-Forwarded-For is believed only as far as our own proxies wrote it: with n
    of them in front it is the n-th address from the right. "" where nobody knows."""
    proxies = conf.trusted_proxies
    hops = [hop.strip() for hop in meta.get("HTTP_X_FORWARDED_FOR", "").split(",") if hop.strip()]
    if proxies and len(hops) >= proxies:
        return hops[-proxies]
    return meta.get("REMOTE_ADDR", "")


@write_transaction
def count_attempt(*, name: str, address: str, at: datetime) -> None:
    """Count one attempt as one that failed. Raises TooManyAttempts, counting nothing, while one must wait."""
    marks = _marks(name, address)
    for mark in sorted(marks):
        LogInTrouble.objects.get_or_create(pk=mark, defaults={"last_at": at})
    rows = list(LogInTrouble.objects.select_for_update().filter(pk__in=marks).order_by("pk"))
    until = max((row.blocked_until for row in rows if row.blocked_until), default=at)
    if until > at:
        _log.warning("log-in throttled", address=address)
        raise TooManyAttempts(ceil((until - at).total_seconds()))
    for row in rows:
        stale = at - row.last_at > FORGOTTEN_AFTER
        row.failures = 1 if stale else row.failures + 1
        beyond = row.failures - marks[row.pk]
        row.blocked_until = None if beyond < 0 else at + min(LONGEST, timedelta(seconds=2 ** min(beyond, 12)))
        row.last_at = at
        row.save()


@write_transaction
def take_back_attempt(*, name: str, address: str) -> None:
    """The password was right: the name's troubles from here are over, and the network's as far as they were
    the name's."""
    of_name, of_network = _marks(name, address)
    rows = LogInTrouble.objects.select_for_update().filter(pk__in=[of_name, of_network]).order_by("pk")
    troubles = {row.pk: row for row in rows}
    mistyped = troubles[of_name].failures if of_name in troubles else 0
    LogInTrouble.objects.filter(pk=of_name).delete()
    if network := troubles.get(of_network):
        network.failures, network.blocked_until = max(network.failures - mistyped, 0), None
        network.save()


def network_of(address: str) -> str:
    """The network that one customer of a provider has: an IPv4 address, 64 bits of an IPv6 one."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return ""
    if isinstance(ip, ipaddress.IPv6Address):
        if ip.ipv4_mapped is not None:
            return str(ip.ipv4_mapped)
        return str(ipaddress.ip_network((ip, 64), strict=False))
    return str(ip)


def _marks(name: str, address: str) -> dict[str, int]:
    """What is counted -> how many attempts are free; the name's first."""
    network = network_of(address)
    known_as = unicodedata.normalize("NFKC", name).casefold()
    return {
        _mark("name", known_as, network): FREE_FOR_A_NAME,
        _mark("network", network): FREE_FOR_A_NETWORK,
    }


def _mark(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


@periodic("purge_log_in_troubles", every=timedelta(hours=1))
def purge_log_in_troubles(task: TaskContext) -> dict[str, int]:
    """Forget what is over."""
    with task.commit():
        removed, _ = LogInTrouble.objects.filter(last_at__lt=task.now() - FORGOTTEN_AFTER).delete()
    return {"removed": removed}
