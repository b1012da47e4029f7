"""Secrets that the service must read again, and nobody else who sees the database or a backup of it.

Fernet (AES-128-CBC under HMAC-SHA256), with a key of its own per purpose that HKDF-SHA256 draws from
SECRET_KEY. What was sealed under one of SECRET_KEY_FALLBACKS still opens; `reseal` brings it under the key of
today, so that an old one can be taken out of the settings a while after (bar S10).
"""

import base64

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings


class UnreadableSeal(Exception):
    """Sealed under a key that the settings no longer name, for another purpose, or tampered with."""


def seal(secret: bytes, *, purpose: str) -> bytes:
    """The secret as printable bytes that only `unseal` with the same purpose opens."""
    return _ring(purpose)[0].encrypt(secret)


def unseal(sealed: bytes, *, purpose: str) -> bytes:
    """What was sealed. Raises UnreadableSeal."""
    try:
        return MultiFernet(_ring(purpose)).decrypt(sealed)
    except InvalidToken as error:
        raise UnreadableSeal(f"cannot be opened with the secret keys that are set ({purpose})") from error


def reseal(sealed: bytes, *, purpose: str) -> bytes | None:
    """The same under the key of today; None when it is under that already. Raises UnreadableSeal."""
    today = _ring(purpose)[0]
    try:
        today.decrypt(sealed)
    except InvalidToken:
        return today.encrypt(unseal(sealed, purpose=purpose))
    return None


def _ring(purpose: str) -> list[Fernet]:
    """The key of today first, then the fallbacks in their order."""
    return [_key(secret, purpose) for secret in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS)]


def _key(secret_key: str, purpose: str) -> Fernet:
    drawn = HKDF(algorithm=SHA256(), length=32, salt=None, info=f"coldgap {purpose}".encode())
    return Fernet(base64.urlsafe_b64encode(drawn.derive(secret_key.encode())))
