"""The one parser: JSON, strictly."""

from collections.abc import Mapping
from typing import IO, Any

from rest_framework.exceptions import UnsupportedMediaType
from rest_framework.parsers import BaseParser

from api import strict_json


class StrictJSONParser(BaseParser):
    """application/json in UTF-8; all else is 415. The size was looked at before (api/middleware.py)."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[bytes],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        charset = _parameter(media_type or "", "charset")
        if charset not in ("", "utf-8", "utf8"):
            raise UnsupportedMediaType(media_type or "")
        return strict_json.loads(stream.read())


def _parameter(media_type: str, name: str) -> str:
    for part in media_type.split(";")[1:]:
        key, _, value = part.partition("=")
        if key.strip().casefold() == name:
            return value.strip().strip('"').casefold()
    return ""
