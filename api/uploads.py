"""Files that are sent to us: multipart/form-data, read strictly (bars A11, S6).

A body that broke off is refused: read leniently it would be a shorter table, and a good one.
"""

import io
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from typing import IO, Any, NoReturn

from django.core.exceptions import SuspiciousOperation
from django.core.files.uploadhandler import MemoryFileUploadHandler
from django.http.multipartparser import MultiPartParser, MultiPartParserError
from rest_framework import serializers
from rest_framework.parsers import BaseParser

from api.pointers import pointer
from inventory.spreadsheets.reading import MOST_BYTES
from shop.errors import FieldError, Invalid

MOST_FILE_BYTES = MOST_BYTES
MOST_AROUND = 64 * 1024
"""Bytes for the other fields and for what stands between the parts."""
MOST_NAME = 200


@dataclass(frozen=True)
class Upload:
    """One file as it came: the name that its sender gave it, without folders, and what is in it."""

    name: str
    data: bytes

    @cached_property
    def sha256(self) -> str:
        return sha256(self.data).hexdigest()


def sense_of(value: Any) -> Any:
    """What a file says of itself where a request is compared with another one (for `json.dumps`)."""
    if isinstance(value, Upload):
        return {"name": value.name, "sha256": value.sha256}
    raise TypeError(f"{type(value).__name__} has no sense of its own")


class StrictMultipartParser(BaseParser):
    """multipart/form-data as a map: texts in UTF-8, files as `Upload`, each name once."""

    media_type = "multipart/form-data"

    def parse(
        self,
        stream: IO[bytes],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> dict[str, Any]:
        request = (parser_context or {})["request"]
        length = int(request.META.get("CONTENT_LENGTH") or 0)
        body = stream.read()
        boundary = (media_type or "").partition("boundary=")[2].partition(";")[0].strip().strip('"')
        closed = body.rstrip(b"\r\n").endswith(f"--{boundary}--".encode("latin-1", "replace"))
        if not boundary or len(body) != length or not closed:
            _refuse("The body broke off before its end, or is not multipart/form-data.")
        meta = {**request.META, "CONTENT_TYPE": media_type}
        try:
            texts, files = MultiPartParser(meta, io.BytesIO(body), [_InMemory()], "utf-8").parse()
        except (MultiPartParserError, SuspiciousOperation) as error:
            _refuse(f"The body is not multipart/form-data: {str(error).rstrip('.')}.")
        return _as_map(texts, files)


class FileField(serializers.FileField):
    """One file with its name."""

    default_error_messages = {
        "required": "is needed",
        "null": "may not be null",
        "invalid": "must be a file with its file name",
        "empty": "is an empty file",
        "max_length": f"has a file name of more than {MOST_NAME} characters",
    }

    def to_internal_value(self, data: Any) -> Upload:
        if not isinstance(data, Upload) or not data.name:
            self.fail("invalid")
        if len(data.name) > MOST_NAME:
            self.fail("max_length")
        if not data.data:
            self.fail("empty")
        return data


class _InMemory(MemoryFileUploadHandler):
    """Whatever the size: the middleware has refused what is too large to be held."""

    def handle_raw_input(self, *_args: Any, **_options: Any) -> None:
        self.activated = True


def _as_map(texts: Any, files: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, given in [*texts.lists(), *files.lists()]:
        if name in found or len(given) > 1:
            _refuse("A part of this name was sent more than once.", pointer(_shown(name)))
        value = given[0]
        if isinstance(value, str):
            # What is not UTF-8 was read as the sign for what cannot be read.
            if "\0" in value or "\ufffd" in value:
                _refuse("A text holds a NUL character or is not UTF-8.", pointer(_shown(name)))
            found[name] = value
        else:
            found[name] = Upload(value.name or "", value.read())
    return found


def _shown(name: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in name[:40])


def _refuse(words: str, where: str = "") -> NoReturn:
    raise Invalid(words, code="bad-request", errors=[FieldError(where, words)] if where else ())
