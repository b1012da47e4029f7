"""A valve clearance job on one engine in one bay."""

from django.db import models
from django.db.models import F, Q

from inventory.models import Condition, Place, ShimFamily
from shop.ids import new_id
from shop.models import Bay, Site

from .engine import EnginePosition, EngineType, Side
from .vehicle import Vehicle


class Job(models.Model):
    """One engine on the bench. `round` counts the fits done: readings of round n are before fit n + 1.

    The acts that each state allows are in `jobs.services.states`.
    """

    class State(models.TextChoices):
        OPEN = "open", "Readings"
        PLANNED = "planned", "Planned"
        WAITING = "waiting", "Waiting for shims"
        HELD = "held", "Shims held"
        OUT = "handed_out", "Shims handed out"
        FITTED = "fitted", "Fitted, measure again"
        SIGNED_OFF = "signed_off", "Signed off"
        STOPPED = "stopped", "Stopped"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="jobs")
    number = models.PositiveIntegerField()
    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, related_name="jobs")
    # Null: family, spec and valves were keyed with the job.
    engine_type = models.ForeignKey(
        EngineType, null=True, blank=True, on_delete=models.PROTECT, related_name="jobs"
    )
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    lash_ratio = models.DecimalField(max_digits=8, decimal_places=6, default=1)
    spec_source = models.CharField(max_length=200)
    bay = models.ForeignKey(Bay, null=True, blank=True, on_delete=models.PROTECT, related_name="jobs")
    tray = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="jobs")
    state = models.CharField(max_length=12, choices=State.choices, default=State.OPEN)
    round = models.PositiveSmallIntegerField(default=0)
    unit = models.CharField(max_length=4, default="thou")
    odometer = models.CharField(max_length=40, blank=True)
    note = models.CharField(max_length=400, blank=True)
    opened_at = models.DateTimeField()
    opened_by = models.CharField(max_length=160)
    # What completing it counts before others', 0 to 9; see jobs.compute.shopplan.weights.
    priority = models.PositiveSmallIntegerField(default=0)
    promised_at = models.DateTimeField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.CharField(max_length=160, blank=True)
    sign_off_reason = models.CharField(max_length=400, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-opened_at", "id"]
        indexes = [models.Index(fields=["site", "state"], name="job_by_state")]
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="job_number_once_per_site"),
            # One engine a bay, one job a tray, while the job is on the bench.
            models.UniqueConstraint(
                fields=["bay"], condition=~Q(state__in=["signed_off", "stopped"]), name="one_open_job_per_bay"
            ),
            models.UniqueConstraint(
                fields=["tray"],
                condition=~Q(state__in=["signed_off", "stopped"]),
                name="one_open_job_per_tray",
            ),
            models.CheckConstraint(condition=Q(priority__lte=9), name="job_priority_at_most_9"),
        ]

    def __str__(self) -> str:
        return f"Job {self.number}"

    @property
    def engine(self) -> str:
        """The engine in words."""
        return str(self.engine_type) if self.engine_type else "In no list, keyed by hand"

    @property
    def is_open(self) -> bool:
        return self.state not in {self.State.SIGNED_OFF, self.State.STOPPED}


class JobValve(models.Model):
    """One valve of a job, with the spec as it was when the job was opened and the shim that is in it.

    The shim in the valve (`shim_nm`) is what was there when the job was opened, then what each fit put in;
    null while nobody knows it. `aim_keyed` is empty where the aim follows from the spec.
    """

    class Adjust(models.TextChoices):
        AUTO = "auto", "If it helps"
        ALWAYS = "always", "Always"
        NEVER = "never", "Never"

    class KnownBy(models.TextChoices):
        MEASURED = "measured", "Micrometer"
        MARKED = "marked", "Marking"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="valves")
    position = models.ForeignKey(EnginePosition, null=True, on_delete=models.PROTECT, related_name="+")
    label = models.CharField(max_length=40)
    side = models.CharField(max_length=8, choices=Side.choices)
    order = models.PositiveSmallIntegerField()
    min_nm = models.BigIntegerField()
    min_keyed = models.CharField(max_length=32)
    max_nm = models.BigIntegerField()
    max_keyed = models.CharField(max_length=32)
    aim_nm = models.BigIntegerField()
    aim_keyed = models.CharField(max_length=32, blank=True)
    adjust = models.CharField(max_length=8, choices=Adjust.choices, default=Adjust.AUTO)
    shim_nm = models.BigIntegerField(null=True, blank=True)
    shim_keyed = models.CharField(max_length=32, blank=True)
    shim_known_by = models.CharField(max_length=8, choices=KnownBy.choices, blank=True)
    # The number of the last fit that opened this valve, 0 while none did: a reading of an earlier round is of
    # another shim and no longer counts.
    fit_round = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["job", "order"]
        constraints = [
            models.UniqueConstraint(fields=["job", "label"], name="valve_label_once_per_job"),
            models.CheckConstraint(
                condition=Q(min_nm__lt=F("max_nm"), aim_nm__gte=F("min_nm"), aim_nm__lte=F("max_nm")),
                name="valve_spec_in_order",
            ),
            models.CheckConstraint(
                condition=Q(shim_nm__isnull=True, shim_known_by="")
                | (Q(shim_nm__isnull=False) & ~Q(shim_known_by="")),
                name="valve_shim_known_by_something",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def known_nm(self) -> int:
        """The thickness of the valve's shim. Raises ValueError while nobody knows it."""
        if self.shim_nm is None:
            raise ValueError(f"the shim of {self.label} is not known")
        return self.shim_nm

    @property
    def shim_condition(self) -> str:
        """How the ledger counts the valve's shim once it is out of the engine."""
        return Condition.USED if self.shim_known_by == self.KnownBy.MEASURED else Condition.UNMEASURED


class JobEvent(models.Model):
    """What happened on a job, in the words of the act; only ever added."""

    id = models.BigAutoField(primary_key=True)
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="events")
    act = models.CharField(max_length=24)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)
    # Room for a note of 400 characters and the words before it.
    text = models.CharField(max_length=500)

    class Meta:
        ordering = ["job", "id"]

    def __str__(self) -> str:
        return self.text
