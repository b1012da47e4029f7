"""Who works where: users, sites, bays, and a role per site."""

from django.contrib.auth.models import AbstractUser
from django.db import models

from shop.ids import new_id


class User(AbstractUser):
    """A person. What they may do follows from their memberships, not from Django's permissions."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    display_name = models.CharField(max_length=80, blank=True)

    def __str__(self) -> str:
        return self.display_name or self.username


class Site(models.Model):
    """A workshop with its own cabinets, bays and books."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=80)
    time_zone = models.CharField(max_length=40, default="UTC")

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class Bay(models.Model):
    """A place in a site where one engine is worked on."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="bays")
    number = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["site", "number"]
        constraints = [models.UniqueConstraint(fields=["site", "number"], name="bay_number_once_per_site")]

    def __str__(self) -> str:
        return self.name or f"Bay {self.number}"


class Role(models.TextChoices):
    TECHNICIAN = "technician", "Technician"
    COUNTER = "counter", "Parts counter"
    MANAGER = "manager", "Manager"


class Membership(models.Model):
    """The role that a person has at a site; nobody acts at a site without one."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="memberships")
    role = models.CharField(max_length=12, choices=Role.choices)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["user", "site"], name="one_role_per_person_and_site")]

    def __str__(self) -> str:
        return f"{self.user} at {self.site}: {self.get_role_display()}"
