"""Reading a page as a person does: its words, its fields, what is wrong with which."""

import re
from html import unescape
from html.parser import HTMLParser

_SPACE = re.compile(r"\s+")
# Keeps a valve's label on one line; between it and a comma a person sees no space.
_LABEL = re.compile(r'<span class="nowrap">(\d+-(?:IN|EX)(?:-\w+)?)</span>')


class _Words(HTMLParser):
    def __init__(self):
        super().__init__()
        self.words = []
        self._silent = 0

    def handle_starttag(self, tag, attrs):
        self._silent += tag in ("script", "style", "head")

    def handle_endtag(self, tag):
        self._silent -= tag in ("script", "style", "head")

    def handle_data(self, data):
        if not self._silent:
            self.words.append(data)


class _Fields(HTMLParser):
    def __init__(self):
        super().__init__()
        self.values = {}
        self.attributes = {}
        self._select = None

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        name = given.get("name")
        if tag == "input" and name and given.get("type") not in ("radio", "checkbox"):
            self.values[name] = given.get("value") or ""
            self.attributes[name] = given
        elif tag == "input" and name and "checked" in given:
            self.values[name] = given.get("value") or "on"
        elif tag == "textarea":
            self.values[name] = ""
            self.attributes[name] = given
        elif tag == "select":
            self._select = name
            self.attributes[name] = given
            self.values.setdefault(name, "")
        elif tag == "option" and "selected" in given and self._select:
            self.values[self._select] = given.get("value") or ""

    def handle_endtag(self, tag):
        if tag == "select":
            self._select = None


def text_of(response) -> str:
    """The page's words with single spaces."""
    parser = _Words()
    parser.feed(_LABEL.sub(r"\1", response.content.decode()))
    return _SPACE.sub(" ", unescape(" ".join(parser.words))).strip()


def fields_of(response) -> dict[str, str]:
    """What stands in each field of the page, hidden ones too."""
    parser = _Fields()
    parser.feed(response.content.decode())
    return parser.values


def wrong_fields(response) -> list[str]:
    """The names of the fields that are marked as wrong."""
    parser = _Fields()
    parser.feed(response.content.decode())
    return [name for name, given in parser.attributes.items() if given.get("aria-invalid") == "true"]


def focused_field(response) -> str | None:
    """The field that has the focus where no script runs."""
    parser = _Fields()
    parser.feed(response.content.decode())
    return next((name for name, given in parser.attributes.items() if "autofocus" in given), None)
