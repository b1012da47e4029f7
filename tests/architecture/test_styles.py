"""No style sheet loses a brace: a browser says nothing and drops every rule that follows."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SHEETS = sorted((ROOT / "shop" / "static" / "shop" / "css").glob("*.css"))


def offences(sheet: str) -> list[str]:
    """What is wrong with the braces of a style sheet: a rule inside another rule (only an at-rule holds
    rules here), one closing brace too many, one too few. Comments and quoted text do not count.
    """
    sheet = re.sub(r"/\*.*?\*/|\"[^\"]*\"|'[^']*'", lambda hit: " " * len(hit.group()), sheet, flags=re.S)
    found, opened, head = [], [], ""
    for char in sheet:
        if char == "{":
            if opened and not opened[-1].startswith("@"):
                found.append(f"{head.strip()!r} stands inside {opened[-1]!r}")
            opened.append(head.strip())
        elif char == "}":
            if opened:
                opened.pop()
            else:
                found.append("one closing brace too many")
        head = "" if char in "{};" else head + char
    return found + [f"{name!r} is never closed" for name in opened]


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.name)
def test_every_rule_is_closed(path: Path) -> None:
    assert offences(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        (".a { color: red; .b { color: blue; }", ["'.b' stands inside '.a'", "'.a' is never closed"]),
        (".a { color: red; } }", ["one closing brace too many"]),
        ("@media print { .a { color: red; } ", ["'@media print' is never closed"]),
        ("@media print { .a { content: '}'; } /* } */ }", []),
    ],
)
def test_a_lost_brace_is_found(sheet: str, said: list[str]) -> None:
    assert offences(sheet) == said


def test_the_sheets_are_there() -> None:
    assert len(SHEETS) > 5
