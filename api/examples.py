"""An example for every answer in the document: real answers of an invented shop, kept in examples.json.

`python -m pytest tests/api/make_examples.py` asks for them anew and writes the file; the document is made
from the file alone, so that it is the same bytes each time.
"""

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

FILE = Path(__file__).with_name("examples.json")
SUCCESSES = ("200", "201", "202")


def example_name(operation: dict[str, Any], content: dict[str, Any]) -> str:
    """Under which name an answer's example is kept: its schema's, or its operation's where that is a text."""
    reference = content["schema"].get("$ref", "")
    return reference.rpartition("/")[2] or operation["operationId"]


@lru_cache(maxsize=1)
def examples() -> dict[str, Any]:
    """Examples of answers by name."""
    return json.loads(FILE.read_text(encoding="utf-8"))


def add_examples(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Show with every answer that is no binary file what it looks like."""
    used = {}
    for methods in result["paths"].values():
        for operation in methods.values():
            for media_type, content in _answers(operation):
                name = example_name(operation, content)
                if name in examples() and not _is_binary(media_type):
                    used[name] = {"value": examples()[name]}
                    content["examples"] = {"Answer": {"$ref": f"#/components/examples/{name}"}}
    result["components"]["examples"] = dict(sorted(used.items()))
    return result


def _answers(operation: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    good = next(operation["responses"][status] for status in SUCCESSES if status in operation["responses"])
    return list(good.get("content", {}).items())


def _is_binary(media_type: str) -> bool:
    return media_type != "application/json" and not media_type.startswith("text/")
