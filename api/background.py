"""Tasks: background work and how far it is."""

from typing import Any

from django.db.models import Q
from rest_framework import serializers

from api.kinds import shows
from api.lookups import one_of
from api.views import ApiView, Call
from api.words import TASK_STATES
from shop.actor import Actor
from shop.models import Task
from shop.roles import Action


class TaskSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    kind = serializers.CharField()
    state = serializers.ChoiceField(choices=TASK_STATES)
    progress = serializers.IntegerField(help_text="Percent.")
    message = serializers.CharField(allow_blank=True)
    created_at = serializers.DateTimeField()
    finished_at = serializers.DateTimeField(allow_null=True)
    result = serializers.JSONField(help_text="What came of it, once it is done; null before.")
    error = serializers.CharField(allow_blank=True)


def task_of(actor: Actor, *, lock: bool = False, **path: Any) -> Task:
    """A task of the actor's sites; one of no site only for who asked for it. Raises NotFound."""
    own = Q(site__in=list(actor.roles)) | Q(site=None, created_by=actor.user)
    return one_of(Task.objects.filter(own), lock=lock, **path)


class OneTask(ApiView):
    answer = TaskSerializer
    one = "task"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Task:
        return task_of(actor, lock=lock, **path)

    @shows(Action.READ, "task", "One task; results are kept for at least a day.")
    def get(self, call: Call, **path: Any) -> Task:
        return self.find(call.actor, **path)
