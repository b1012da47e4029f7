"""Strong entity tags over what is sent, and the conditions that name them (RFC 9110, 8.8.3 and 13.1)."""

import hashlib
import re

from shop.errors import Invalid, ShopError, StaleVersion

_tag = re.compile(r'\s*(W/)?"([\x21\x23-\x7e]*)"\s*')


class PreconditionRequired(ShopError):
    """An act on something that exists came without If-Match (RFC 6585, section 3)."""

    code = "precondition-required"
    status = 428


def etag_of(body: bytes) -> str:
    """The tag of these bytes: another one exactly when another byte is sent."""
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def require_if_match(header: str | None) -> str:
    """The header, or PreconditionRequired when it is missing. Raises Invalid when it is no list of tags."""
    if header is None:
        raise PreconditionRequired(
            "Name in If-Match the ETag of what you saw, so that nothing is done to what has changed since."
        )
    _tags(header, "If-Match")
    return header


def check_if_match(header: str, current: str) -> None:
    """Raise StaleVersion unless the header names the current tag. Strong comparison: W/ never matches."""
    tags = _tags(header, "If-Match")
    if tags is not None and (False, current[1:-1]) not in tags:
        raise StaleVersion("It was changed since you read it; nothing was done. Read it again.")


def is_unchanged(header: str | None, current: str) -> bool:
    """Whether If-None-Match names the current tag. Weak comparison, as the RFC asks; malformed: no."""
    if header is None:
        return False
    try:
        tags = _tags(header, "If-None-Match")
    except Invalid:
        return False
    return tags is None or current[1:-1] in {opaque for _, opaque in tags}


def _tags(header: str, name: str) -> list[tuple[bool, str]] | None:
    """(weak, opaque) of each tag in the header; None for *."""
    if header.strip() == "*":
        return None
    tags, position = [], 0
    while matched := _tag.match(header, position):
        tags.append((matched[1] is not None, matched[2]))
        position = matched.end()
        if position == len(header):
            return tags
        if header[position] != ",":
            break
        position += 1
    raise Invalid(
        f'{name} is * or a list of tags in quotes, such as "abc"; this is neither.', code="bad-request"
    )
