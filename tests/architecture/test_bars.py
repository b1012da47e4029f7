"""The table of bars names tests, commands and mutations that there are."""

import ast
import re
from pathlib import Path

import pytest

from tests.bars import BARS
from tests.mutations import MUTATIONS

ROOT = Path(__file__).resolve().parents[2]
EXPECTED = [*(f"L{number}" for number in range(1, 21)), "F8", "F9", "F10", "F13", "F18", "F20", "S6"]
NAMED = sorted({name for bar in BARS.values() for name in (*bar.tests, bar.control) if name})
LEAST_MUTATIONS = 15  # RELIABILITY.md, end of section 4


def exists(node: str) -> bool:
    """Whether a file, class or function of this node id is there; a parameter is not looked at."""
    file, *names = re.sub(r"\[.*\]$", "", node).split("::")
    path = ROOT / file
    if not path.is_file():
        return False
    body: list[ast.stmt] = ast.parse(path.read_text(encoding="utf-8")).body
    for name in names:
        found = [
            part for part in body if isinstance(part, ast.ClassDef | ast.FunctionDef) and part.name == name
        ]
        if not found:
            return False
        body = found[0].body
    return True


def test_every_bar_stands_in_the_table():
    assert list(BARS) == EXPECTED


@pytest.mark.parametrize("node", NAMED)
def test_every_named_test_is_there(node):
    assert exists(node)


def test_a_test_that_is_not_there_would_be_noticed():
    assert not exists("tests/architecture/test_bars.py::test_of_nothing")
    assert not exists("tests/test_nothing.py")


def test_every_command_is_there():
    for bar in BARS.values():
        for command in bar.commands:
            module = command.removeprefix("python -m ").split()[0]
            assert (ROOT / f"{module.replace('.', '/')}.py").is_file(), command


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda mutation: mutation.name)
def test_every_mutation_can_be_made_and_has_its_test(mutation):
    assert (ROOT / mutation.file).read_text(encoding="utf-8").count(mutation.old) == 1
    assert exists(mutation.test)


def test_there_are_enough_mutations_and_each_belongs_to_a_bar():
    named = {name for bar in BARS.values() for name in bar.mutations}
    assert named == {mutation.name for mutation in MUTATIONS}
    assert len(MUTATIONS) >= LEAST_MUTATIONS
