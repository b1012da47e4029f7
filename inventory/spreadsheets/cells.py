"""Cells that a spreadsheet program must not take for a formula, and back without loss.

A text cell that begins, after spaces, with one of the signs that start a formula gets one leading apostrophe
(OWASP's advice against formula injection). So does a cell that begins with apostrophes before such a sign, so
that reading can take off exactly one and always gives back what was written. Numbers stay numbers.
"""

import re

# = + - @ and their full-width forms, a pipe, and the control signs that some programs skip over.
_SIGNS = r"[=+\-@|\t\r\n\0＝＋－＠｜]"
_STARTS_FORMULA = re.compile(rf"'*\s*{_SIGNS}")
_GUARDED = re.compile(rf"'+\s*{_SIGNS}")
_PLAIN_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?\Z")


def guard(text: str) -> str:
    """The text as a cell that no program evaluates. A plain number, a negative count say, stays as it is."""
    if _STARTS_FORMULA.match(text) and not _PLAIN_NUMBER.match(text):
        return f"'{text}"
    return text


def unguard(cell: str) -> str:
    """The text that `guard` was given."""
    if _GUARDED.match(cell):
        return cell[1:]
    return cell
