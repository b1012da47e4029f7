"""The product's own addresses and, beside them, what bench_api compares them with (beside_wsgi.py serves it).

/bare             a Django view that returns a constant, behind the same middleware, without a key
/api/v1/one-row   a DRF view that reads one row, behind the same authentication, limits and middleware
"""

import uuid

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.kinds import shows
from api.views import ApiView, Call
from inventory.models import Place
from shop.roles import Action
from shop.urls import urlpatterns as product


class RowSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    code = serializers.CharField()
    cabinet = serializers.CharField()
    capacity = serializers.IntegerField(allow_null=True)


class OneRow(ApiView):
    answer = RowSerializer

    @shows(Action.READ, "one_row", "One row.")
    def get(self, call: Call, id: uuid.UUID) -> Place:
        return Place.objects.get(pk=id)


@login_not_required
def bare(request: HttpRequest) -> HttpResponse:
    return HttpResponse(b"constant", content_type="text/plain")


urlpatterns = [path("bare", bare), path("api/v1/one-row/<uuid:id>", OneRow.as_view()), *product]
