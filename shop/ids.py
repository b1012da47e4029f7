"""Opaque identifiers: UUID version 7 (RFC 9562), so that a key says nothing and still sorts by age."""

import uuid

import uuid_utils


def new_id() -> uuid.UUID:
    """A fresh UUIDv7 as the standard library's type, which both databases' drivers take."""
    return uuid.UUID(int=uuid_utils.uuid7().int)
