"""Write into the audit trail."""

from django.http import HttpResponse
from rest_framework.request import Request

from api.models import TrailEntry
from api.operations import Operation
from api.views import Call
from shop.db.written import insert
from shop.models import Site


def write_down(
    request: Request, call: Call, operation: Operation, response: HttpResponse, site: Site | None
) -> None:
    """One row, in the transaction that is open: it is there exactly when the act and its kept answer are."""
    if call.actor.user is None:
        return  # only the service itself acts in nobody's name, and it sends no requests
    path = TrailEntry._meta.get_field("path").max_length
    entry = TrailEntry(
        at=call.at,
        user=call.actor.user,
        key=call.credential.key,
        who=call.actor.label,
        site=site,
        act=operation.name,
        method=request.method,
        path=request.path[:path],
        made=response.get("Location", ""),
        status=response.status_code,
        request_id=call.actor.request_id,
    )
    insert(entry)
