"""Secrets and signatures by Standard Webhooks 1.0.0: HMAC-SHA256 over `id.timestamp.body`, identifier v1."""

import base64
import binascii
import hashlib
import hmac
import secrets
from collections.abc import Iterable
from datetime import datetime

SECRET_MARK = "whsec_"  # noqa: S105 - what every secret begins with
SECRET_BYTES = 32
LEAST_BYTES, MOST_BYTES = 24, 64


class BadSecretError(ValueError):
    """Not `whsec_` and the base64 of 24 to 64 bytes."""


def new_secret() -> str:
    """A fresh secret of 256 bits in the form in which receivers take it."""
    return SECRET_MARK + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()


def key_of(secret: str) -> bytes:
    """The bytes that sign. Raises BadSecretError."""
    try:
        key = base64.b64decode(secret.removeprefix(SECRET_MARK), validate=True)
    except (binascii.Error, ValueError) as error:
        raise BadSecretError("a secret is whsec_ and base64") from error
    if not secret.startswith(SECRET_MARK) or not LEAST_BYTES <= len(key) <= MOST_BYTES:
        raise BadSecretError(f"a secret is whsec_ and the base64 of {LEAST_BYTES} to {MOST_BYTES} bytes")
    return key


def sign(secret: str, *, message_id: str, timestamp: int, body: bytes) -> str:
    """`v1,` and the signature in base64. `message_id` holds no full stop: it would blur what is signed."""
    if "." in message_id:
        raise ValueError(f"the id of a message has no full stop: {message_id!r}")
    signed = hmac.digest(key_of(secret), f"{message_id}.{timestamp}.".encode() + body, hashlib.sha256)
    return f"v1,{base64.b64encode(signed).decode()}"


def signed_headers(
    secrets_in_force: Iterable[str], *, message_id: str, at: datetime, body: bytes
) -> dict[str, str]:
    """The three headers of one attempt at `at`, with a signature under each secret."""
    timestamp = int(at.timestamp())
    signatures = [
        sign(secret, message_id=message_id, timestamp=timestamp, body=body) for secret in secrets_in_force
    ]
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(signatures),
    }
