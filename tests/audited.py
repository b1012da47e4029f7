"""The audit after each test, without the checks of papers where there is none: they took most of its time."""

from django.db import connection

from inventory.selectors.audit import CHECKS, first_named
from inventory.selectors.audit_papers import posted_counts, retired_bins, transits

# A check's only rows, or all that lead to them: without one it has nothing to tell.
ROWS = {
    posted_counts: "SELECT 1 FROM inventory_bincount",
    retired_bins: "SELECT 1 FROM inventory_place WHERE retired_at IS NOT NULL",
    transits: (
        "SELECT 1 FROM inventory_transferline UNION ALL SELECT 1 FROM inventory_balance b "
        "JOIN inventory_place p ON p.id = b.place_id WHERE p.kind = 'transit' AND b.on_hand <> 0"
    ),
}
_QUESTION = "SELECT " + ", ".join(f"EXISTS ({rows})" for rows in ROWS.values())


def differences() -> list[str]:
    """What `audit` says."""
    with connection.cursor() as cursor:
        cursor.execute(_QUESTION)
        idle = {check for check, there in zip(ROWS, cursor.fetchone(), strict=True) if not there}
    return [told for check in CHECKS if check not in idle for told in first_named(check())]
