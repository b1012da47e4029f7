"""The people whose acts stand in a site's books: who works there, and who did once."""

from django.db.models import Exists, OuterRef, Q, QuerySet

from inventory.models import Movement
from shop.models import Membership, Site, User


def people_of(site: Site) -> QuerySet[User]:
    """By name: everybody with a role at the site, and everybody who ever moved a shim there."""
    works_here = Membership.objects.filter(site=site, user=OuterRef("pk"))
    moved = Movement.objects.filter(site=site, user=OuterRef("pk"))
    return User.objects.filter(Q(Exists(works_here)) | Q(Exists(moved))).order_by("display_name", "username")


def person_of(site: Site, username: str) -> User | None:
    """The one of this log-in; None for somebody of another site as for nobody."""
    return people_of(site).filter(username=username).first()
