"""What the service's own PostgreSQL role may do to the books: add to them, and promise what is there.

Read by `grant_app_role`; every table not named here is an ordinary one. A column in brackets limits the
right to it.
"""

from inventory.models.ledger import APPEND_ONLY_TABLES

RESTRICTED: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(APPEND_ONLY_TABLES, ("SELECT", "INSERT")),
    # A balance begins at nothing; only the seal's trigger, which runs as the owner, changes what is on hand.
    "inventory_balance": (
        "SELECT",
        "INSERT (site_id, place_id, family_id, thickness_nm, condition, outside)",
        "UPDATE (held)",
    ),
    # Rows are locked in it (SELECT … FOR UPDATE wants a right to update something), moved only by the seal.
    "inventory_chainhead": ("SELECT", "INSERT", "UPDATE (site_id)"),
    "django_migrations": ("SELECT",),
}
