"""Tables in: a file is sent, judged row by row in the background, and then applied whole or not at all."""

from io import BytesIO
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Text, Word
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, one_of, site_of, sites_where
from api.stock import SITE
from api.uploads import FileField, StrictMultipartParser
from api.views import ApiView, Call
from api.words import IMPORT_STATES, ROW_FATES
from inventory.imports.kinds import kinds
from inventory.imports.runs import apply_import, cancel_import, stage_import
from inventory.models import ImportRow, ImportRun
from inventory.spreadsheets.columns import length_of
from shop.actor import Actor
from shop.roles import Action

TABLE_KINDS = tuple(sorted(kind.code for kind in kinds()))


class ImportSerializer(serializers.Serializer):
    """A file on its way into the books. The counts are of rows; they are there once all are judged."""

    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    kind = serializers.ChoiceField(choices=TABLE_KINDS)
    file_name = serializers.CharField()
    state = serializers.ChoiceField(
        choices=IMPORT_STATES, help_text="checked: ready to apply. refused: rows are wrong, or the file is."
    )
    message = serializers.CharField(allow_blank=True)
    rows = serializers.IntegerField()
    new = serializers.IntegerField()
    changed = serializers.IntegerField()
    same = serializers.IntegerField()
    wrong = serializers.IntegerField()
    task = serializers.UUIDField(source="task_id", allow_null=True, help_text="The work on it.")
    progress = serializers.IntegerField(
        source="task.progress", allow_null=True, default=None, help_text="Of that work, in percent."
    )
    progress_message = serializers.CharField(source="task.message", allow_blank=True, default="")
    created_at = serializers.DateTimeField()
    created_by = serializers.CharField()
    applied_at = serializers.DateTimeField(allow_null=True)


class ImportRowSerializer(serializers.Serializer):
    number = serializers.IntegerField(help_text="As a spreadsheet shows it; the headings are row 1.")
    fate = serializers.ChoiceField(choices=ROW_FATES, help_text="What applying it does.")
    message = serializers.CharField(allow_blank=True, help_text="Why.")
    values = serializers.JSONField(
        help_text="By column; a length is an object, an empty cell null. `was`: what the books had."
    )


class StageImportSerializer(Body):
    site = Text(most=20, required=False)
    kind = Word(choices=TABLE_KINDS)
    file = FileField(help_text="CSV in UTF-8 or XLSX, at most 16 MiB; its name says which.")


class ImportView(ApiView):
    answer = ImportSerializer
    one = "import"

    def rows(self, actor: Actor, sites: list[Any]) -> QuerySet[ImportRun]:
        own = sites_where(actor, Action.IMPORT, sites)
        return ImportRun.objects.filter(site__in=own).select_related("site", "task").defer("data")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> ImportRun:
        return one_of(self.rows(actor, list(actor.roles)), lock=lock, **path)


class Imports(ImportView):
    parser_classes = (StrictMultipartParser,)

    @lists(
        Action.IMPORT,
        "list_imports",
        "Tables that were brought in, newest first.",
        order=("-created_at", "-id"),
        query=(
            SITE,
            queries.choice("kind", "Only of this kind.", TABLE_KINDS),
            queries.choice("state", "Only in this state.", IMPORT_STATES),
            *queries.period("what was brought in"),
        ),
        orderings={"created_at": ("created_at", "id")},
        wide=ImportSerializer,
    )
    def get(self, call: Call) -> QuerySet[ImportRun]:
        wanted = {"kind": "kind", "state": "state", "from": "created_at__gte", "to": "created_at__lt"}
        rows = self.rows(call.actor, asked_sites(call.actor, call.query))
        return rows.filter(**queries.given(call.query, wanted))

    @creates(
        Action.IMPORT,
        "stage_import",
        "Send a table, as multipart/form-data; every row is judged and nothing else changes.",
        body=StageImportSerializer,
        example={"site": "north", "kind": "stock", "file": "bin,family,thickness [mm],condition,quantity\n"},
    )
    def post(self, call: Call) -> ImportRun:
        body = call.body
        return stage_import(
            site=site_of(call.actor, body.get("site")),
            actor=call.actor,
            at=call.at,
            kind=body["kind"],
            file=BytesIO(body["file"].data),
            name=body["file"].name,
        )


class OneImport(ImportView):
    @shows(Action.IMPORT, "import", "One table that was brought in, with how far the work on it is.")
    def get(self, call: Call, **path: Any) -> ImportRun:
        return self.find(call.actor, **path)


class ImportRows(ImportView):
    @lists(
        Action.IMPORT,
        "list_import_rows",
        "The rows of a table that was brought in, and what applying each does.",
        order=("number",),
        query=(queries.choice("fate", "Only those that this becomes of.", ROW_FATES),),
        answer=ImportRowSerializer,
        orderings={"number": ("number",)},
        render=lambda row: {
            "number": row.number,
            "fate": row.fate,
            "message": row.message,
            "values": {name: _value(value) for name, value in row.values.items()},
        },
    )
    def get(self, call: Call, **path: Any) -> QuerySet[ImportRow]:
        rows = self.find(call.actor, **path).staged.all()
        return rows.filter(fate=call.query["fate"]) if "fate" in call.query else rows


class ApplyImport(ImportView):
    @acts(
        Action.IMPORT,
        "apply_import",
        "Have a checked table written in the background: all of its rows or none.",
    )
    def post(self, call: Call, run: ImportRun) -> ImportRun:
        return apply_import(run=run, actor=call.actor, at=call.at)


class CancelImport(ImportView):
    @acts(
        Action.IMPORT,
        "cancel_import",
        "Call a table off. While it is worked on, its ETag goes with its progress: send If-Match: *.",
    )
    def post(self, call: Call, run: ImportRun) -> ImportRun:
        return cancel_import(run=run, actor=call.actor, at=call.at)


def _value(value: Any) -> Any:
    return length_of(value).as_json() if isinstance(value, dict) else value
