"""The trade's settings, typed: read anew at each use, so that a test or an operator can change them."""

from datetime import timedelta
from decimal import Decimal
from ipaddress import IPv4Network, IPv6Network, ip_network
from typing import Any

from django.conf import settings


class _Conf:
    """settings.COLDGAP behind names with types. Lengths stay the text that was set ("0.004 mm"): the one
    module that reads lengths is the inventory's."""

    @property
    def micrometer_uncertainty(self) -> str:
        """How far a thickness read with a micrometer may be off."""
        return str(self._get("MICROMETER_UNCERTAINTY"))

    @property
    def unworn_uncertainty(self) -> str:
        """How far an unworn shim may be off its marking."""
        return str(self._get("UNWORN_UNCERTAINTY"))

    @property
    def hold_time(self) -> timedelta:
        """How long shims stay promised to a job that does nothing with them."""
        return timedelta(hours=self._get("HOLD_HOURS"))

    @property
    def waiting_hold_time(self) -> timedelta:
        """How long after the promised or expected day the shims of a waiting job stay promised to it."""
        return timedelta(days=self._get("WAITING_HOLD_DAYS"))

    @property
    def client_patience_seconds(self) -> float:
        """How long is waited for the rest of a request that has begun, and for an answer to be read."""
        return float(self._get("CLIENT_PATIENCE_SECONDS"))

    @property
    def slow_clients_at_once(self) -> int:
        """How many bodies that are slow in coming a process waits for at once."""
        return int(self._get("SLOW_CLIENTS_AT_ONCE"))

    @property
    def readings_spread(self) -> str:
        """How far two micrometer readings of one shim may lie apart before a third is asked for."""
        return str(self._get("READINGS_SPREAD"))

    @property
    def currency(self) -> str:
        """What the shop reckons in (ISO 4217)."""
        return str(self._get("CURRENCY"))

    @property
    def minutes_per_opening(self) -> Decimal:
        """How long one valve takes: pulling its shim, fitting, measuring again."""
        return Decimal(self._get("MINUTES_PER_OPENING"))

    @property
    def labour_per_hour(self) -> Decimal:
        """What an hour of work costs."""
        return Decimal(self._get("LABOUR_PER_HOUR"))

    @property
    def bay_per_hour(self) -> Decimal:
        """What an hour costs in which an engine blocks a bay and waits."""
        return Decimal(self._get("BAY_PER_HOUR"))

    @property
    def bay_hours_per_day(self) -> Decimal:
        """How long a bay is at work in a day."""
        return Decimal(self._get("BAY_HOURS_PER_DAY"))

    @property
    def other_size_cost(self) -> Decimal:
        """What the choice of what to buy reckons for another size than the plan's, per shim."""
        return Decimal(self._get("OTHER_SIZE_COST"))

    @property
    def purchase_limit(self) -> Decimal:
        """Up to this amount the parts counter approves orders; above it a manager. Of the shop's currency."""
        return Decimal(self._get("PURCHASE_LIMIT"))

    @property
    def letterhead(self) -> tuple[str, ...]:
        """The lines that stand at the head of an order: name, address, how to reach the shop."""
        return tuple(line for line in self._get("LETTERHEAD") if line)

    @property
    def count_approval_value(self) -> Decimal:
        """Above this worth of differences a manager must approve a count before it is posted."""
        return Decimal(self._get("COUNT_APPROVAL_VALUE"))

    @property
    def used_value_share(self) -> Decimal:
        """What a used shim is worth, as a share of a new one."""
        return Decimal(self._get("USED_VALUE_SHARE"))

    @property
    def service_level(self) -> Decimal:
        """The share of requests for a size that are to be met from the drawer; above 0, below 1."""
        return Decimal(self._get("SERVICE_LEVEL"))

    @property
    def mix_months(self) -> int:
        """How far back the mix looks at what was taken."""
        return int(self._get("MIX_MONTHS"))

    @property
    def review_days(self) -> int:
        """How many working days go by from one look at what is low to the next."""
        return int(self._get("REVIEW_DAYS"))

    @property
    def check_cases(self) -> int:
        """How many cases a check before the cover comes off plans at most."""
        return int(self._get("CHECK_CASES"))

    @property
    def counts_per_day(self) -> int:
        """How many bins of a site the rotation asks to be counted in a day."""
        return int(self._get("COUNTS_PER_DAY"))

    @property
    def count_days(self) -> tuple[int, int, int, int]:
        """After how many days a bin is counted again: troubled, fast, middle and slow ones."""
        troubled, fast, middle, slow = self._get("COUNT_DAYS")
        return troubled, fast, middle, slow

    @property
    def stale_time(self) -> timedelta:
        """For how long shims may lie in a tray, in transit, at inspection or in receiving unremarked."""
        return timedelta(days=self._get("STALE_DAYS"))

    @property
    def idle_time(self) -> timedelta:
        """For how long a page may lie untouched before its person has to log in again."""
        return timedelta(seconds=self._get("IDLE_SECONDS"))

    @property
    def requests_per_minute(self) -> int:
        """How many requests a key may make in a minute where it has no limit of its own."""
        return int(self._get("REQUESTS_PER_MINUTE"))

    @property
    def site_requests_per_minute(self) -> int:
        """How many requests all keys of a site together may make in a minute."""
        return int(self._get("SITE_REQUESTS_PER_MINUTE"))

    @property
    def demo_requests_per_minute(self) -> int:
        """The limit of the demo's key."""
        return int(self._get("DEMO_REQUESTS_PER_MINUTE"))

    @property
    def idempotency_time(self) -> timedelta:
        """How long the answer to an Idempotency-Key is kept."""
        return timedelta(hours=self._get("IDEMPOTENCY_HOURS"))

    @property
    def trail_time(self) -> timedelta:
        """For how long it is kept who did what over the API."""
        return timedelta(days=self._get("AUDIT_TRAIL_DAYS"))

    @property
    def task_lease(self) -> timedelta:
        """For how long nothing may be heard of a running task before it counts as lost."""
        return timedelta(seconds=self._get("TASK_LEASE_SECONDS"))

    @property
    def task_time_limit(self) -> timedelta:
        """For how long a task may run at all, however alive its worker is."""
        return timedelta(seconds=self._get("TASK_TIME_LIMIT_SECONDS"))

    @property
    def shop_plan_time(self) -> timedelta:
        """For how long the best plan for the whole shop is looked for before the best one found stands."""
        return timedelta(seconds=self._get("SHOP_PLAN_SECONDS"))

    @property
    def task_retention(self) -> timedelta:
        """How long a finished task and its result can be looked at."""
        return timedelta(hours=self._get("TASK_RETENTION_HOURS"))

    @property
    def hold_warning(self) -> timedelta:
        """How long before a hold runs out it is told."""
        return timedelta(minutes=self._get("HOLD_WARNING_MINUTES"))

    @property
    def webhook_allow_private(self) -> tuple[IPv4Network | IPv6Network, ...]:
        """Networks that are not public and that webhooks may be sent to all the same, in clear if need be."""
        return tuple(ip_network(text) for text in self._get("WEBHOOK_ALLOW_PRIVATE"))

    @property
    def webhook_retention(self) -> timedelta:
        """How long a delivery that is over can be looked at and replayed."""
        return timedelta(days=self._get("WEBHOOK_RETENTION_DAYS"))

    @property
    def trusted_proxies(self) -> int:
        """How many of the addresses at the end of X-Forwarded-For our own proxies wrote; 0: believe none."""
        return int(self._get("TRUSTED_PROXIES"))

    @property
    def stream_time(self) -> timedelta:
        """For how long a stream of events stays open before its reader has to ask again."""
        return timedelta(seconds=self._get("STREAM_SECONDS"))

    @property
    def stream_heartbeat(self) -> timedelta:
        """After what silence a stream says that it is still there."""
        return timedelta(seconds=self._get("STREAM_HEARTBEAT_SECONDS"))

    @property
    def streams_at_once(self) -> int:
        """How many streams one process keeps open; each takes one of its threads."""
        return int(self._get("STREAMS_AT_ONCE"))

    def _get(self, name: str) -> Any:
        return settings.COLDGAP[name]


conf = _Conf()
