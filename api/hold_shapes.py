"""What a hold looks like when it is sent: by itself, and with the job whose plan it serves."""

from typing import Any

from rest_framework import serializers

from api.fields import LengthField
from api.words import CONDITIONS, HOLD_STATES
from inventory.models import Hold
from inventory.selectors.overdue import as_seen


class HoldLineSerializer(serializers.Serializer):
    position = serializers.IntegerField()
    bin = serializers.CharField(source="taken_from.code", help_text="Where the shims were held.")
    place = serializers.CharField(source="place.code", help_text="Where they are: a tray once handed out.")
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    condition = serializers.ChoiceField(choices=CONDITIONS)
    quantity = serializers.IntegerField()
    fitted = serializers.IntegerField()
    label = serializers.CharField(allow_blank=True)


class TakenOverSerializer(serializers.Serializer):
    """Who took the shims for somebody else, and why."""

    at = serializers.DateTimeField()
    by = serializers.CharField()
    reason = serializers.CharField()
    hold = serializers.UUIDField(source="taken_id", help_text="Under which they are held now.")
    rest = serializers.UUIDField(
        source="rest_id", allow_null=True, help_text="Under which the lines that were not taken are held on."
    )


class HoldSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    state = serializers.ChoiceField(choices=HOLD_STATES)
    job = serializers.UUIDField(source="job_id", allow_null=True)
    reference = serializers.CharField()
    note = serializers.CharField(allow_blank=True)
    created_at = serializers.DateTimeField()
    created_by = serializers.CharField()
    expires_at = serializers.DateTimeField(allow_null=True, help_text="null once the shims are handed out.")
    handed_out_at = serializers.DateTimeField(allow_null=True)
    resolved_at = serializers.DateTimeField(allow_null=True)
    resolved_by = serializers.CharField(allow_blank=True)
    taken_over = TakenOverSerializer(
        source="take_over", allow_null=True, default=None, help_text="null where nobody did."
    )
    lines = HoldLineSerializer(many=True, source="lines.all")

    def to_representation(self, instance: Hold) -> dict[str, Any]:
        """One whose time is over is expired, whether or not a sweep has come by."""
        return super().to_representation(as_seen(instance))
