"""What the service's own PostgreSQL role may do with the books: add to them, and promise shims.

`on_hand` is in neither list: only the seal's trigger changes it, with its owner's rights.
"""

_ADD_ONLY = ("SELECT", "INSERT")

RESTRICTED: dict[str, tuple[str, ...]] = {
    "inventory_movement": _ADD_ONLY,
    "inventory_movementline": _ADD_ONLY,
    "inventory_movementseal": _ADD_ONLY,
    # UPDATE on a column is also what SELECT … FOR UPDATE asks for.
    "inventory_balance": (
        "SELECT",
        "INSERT (site_id, place_id, family_id, thickness_nm, condition, outside)",
        "UPDATE (held)",
    ),
    # The right to a column that never changes is enough for the lock; the seal alone moves the head.
    "inventory_chainhead": ("SELECT", "INSERT (site_id, position, hash)", "UPDATE (site_id)"),
}
