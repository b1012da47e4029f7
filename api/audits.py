"""The audit of the books, run in the background."""

from typing import Any

from rest_framework import serializers

from api.background import TaskSerializer, task_of
from api.kinds import Nothing, creates, shows
from api.shapes import sent
from api.views import ApiView, Call
from inventory.services.auditing import last_audit, start_audit
from shop.actor import Actor
from shop.errors import NotFound
from shop.models import Task
from shop.roles import Action


class AuditSerializer(serializers.Serializer):
    """What the last audit that came to its end has found."""

    task = serializers.UUIDField(source="pk")
    started_at = serializers.DateTimeField(source="created_at")
    finished_at = serializers.DateTimeField()
    clean = serializers.BooleanField(source="result.clean")
    movements = serializers.IntegerField(source="result.movements")
    balances = serializers.IntegerField(source="result.balances")
    differences = serializers.ListField(
        child=serializers.CharField(), source="result.differences", help_text="In plain words, by check."
    )
    unnamed = serializers.IntegerField(source="result.unnamed", help_text="Differences beyond those listed.")


class Audit(ApiView):
    answer = AuditSerializer
    one = "task"
    may_be_missing = True

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Task:
        return task_of(actor, lock=lock, **path)

    def represent(self, thing: Task) -> Any:
        """What was just started is a task; what is over, an audit."""
        shape = AuditSerializer if thing.is_over else TaskSerializer
        return sent(shape, thing)

    @shows(
        Action.AUDIT,
        "audit",
        "The last audit of all sites' books; kept for at least a day. For managers of every site.",
    )
    def get(self, call: Call) -> Task:
        found = last_audit(actor=call.actor)
        if found is None:
            raise NotFound("No audit was made yet, or the last is no longer kept: start one by POST.")
        return found

    @creates(
        Action.AUDIT,
        "start_audit",
        "Recompute all sites' books in the background; the answer is the task. For managers of every site.",
        body=Nothing,
        example={},
        answer=TaskSerializer,
        later=True,
    )
    def post(self, call: Call) -> Task:
        return start_audit(actor=call.actor, at=call.at)
