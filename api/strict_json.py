"""JSON read strictly (bar A11): what two readers could understand differently is refused.

Refused are: text that is not UTF-8, a name twice in one object, NaN and Infinity, numbers of more than
`MOST_DIGITS` digits, NUL characters, halves of surrogate pairs, nesting deeper than `DEEPEST`.
"""

import json
from collections.abc import Iterator
from typing import Any, NoReturn

from api.pointers import pointer
from shop.errors import FieldError, Invalid

DEEPEST = 32
MOST_DIGITS = 15
"""So many digits survive every reader's arithmetic, also in languages that have only floats."""


def loads(body: bytes) -> Any:
    """The value that the body holds. Raises Invalid (code "invalid-json") with the reason in words."""
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        _refuse(f"The body is not UTF-8: byte {error.start} cannot be read.")
    try:
        value = _decoder.decode(text)
    except RecursionError:
        _refuse_depth()
    except json.JSONDecodeError as error:
        _refuse(f"The body is not JSON: {error.msg.lower()} at line {error.lineno}, column {error.colno}.")
    if body.count(b"[") + body.count(b"{") > DEEPEST:
        _check_depth(value)
    # Only an escape can bring in what UTF-8 cannot: then every text is looked at.
    if b"\\u" in body:
        _check_texts(value)
    return value


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        seen: set[str] = set()
        twice = next(name for name, _ in pairs if name in seen or seen.add(name))  # type: ignore[func-returns-value]
        _refuse(f'The name "{_shown(twice)}" stands twice in one object.')
    return found


def _integer(digits: str) -> int:
    if len(digits) > MOST_DIGITS + 1:
        _refuse(f"A number has more than {MOST_DIGITS} digits.")
    return int(digits)


def _fraction(digits: str) -> float:
    if len(digits) > 2 * MOST_DIGITS or (value := float(digits)) in (float("inf"), float("-inf")):
        _refuse(f"A number has more than {MOST_DIGITS} digits.")
    return value


def _constant(name: str) -> NoReturn:
    _refuse(f"{name} is not JSON.")


_decoder = json.JSONDecoder(
    object_pairs_hook=_object, parse_int=_integer, parse_float=_fraction, parse_constant=_constant
)


def _check_depth(value: Any) -> None:
    level = [value]
    for _ in range(DEEPEST):
        level = [
            inner
            for outer in level
            if isinstance(outer, dict | list)
            for inner in (outer.values() if isinstance(outer, dict) else outer)
        ]
        if not level:
            return
    if any(isinstance(value, dict | list) for value in level):
        _refuse_depth()


def _check_texts(value: Any) -> None:
    for where, text in _texts(value, ()):
        if "\0" in text:
            _refuse("A text holds a NUL character.", pointer(*where))
        if any("\ud800" <= character <= "\udfff" for character in text):
            _refuse("A text holds half of a surrogate pair.", pointer(*where))


def _texts(value: Any, where: tuple[str | int, ...]) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every text in the value, names included, with its place. At most `DEEPEST` deep, so it may recurse."""
    if isinstance(value, str):
        yield where, value
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield where, name
            yield from _texts(inner, (*where, name))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _texts(inner, (*where, index))


def _shown(text: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in text[:40])


def _refuse_depth() -> NoReturn:
    _refuse(f"The body is nested more than {DEEPEST} deep.")


def _refuse(words: str, where: str = "") -> NoReturn:
    raise Invalid(words, code="invalid-json", errors=[FieldError(where, words)] if where else ())
