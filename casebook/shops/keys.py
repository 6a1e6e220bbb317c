"""The form of an API key: `cbk_` + 32 secret characters + 7 that check them.

160 random bits in RFC 4648 base 32 (lower case, readable over the phone), then a CRC-32 so that
a mistyped key is told from a revoked one without a look into the database. Only the SHA-256 of a
key is stored: with that much randomness a slow hash would add nothing.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
import zlib

PREFIX = "cbk_"
_SECRET_BYTES = 20
_SECRET_LENGTH = 32
_CHECK_LENGTH = 7


def _base32(data: bytes) -> str:
    return base64.b32encode(data).decode().rstrip("=").lower()


def _check_characters(secret: str) -> str:
    return _base32(zlib.crc32(secret.encode()).to_bytes(4, "big"))


def new_key() -> str:
    secret = _base32(secrets.token_bytes(_SECRET_BYTES))
    return PREFIX + secret + _check_characters(secret)


def is_well_formed(key: str) -> bool:
    if not key.isascii() or not key.startswith(PREFIX):
        return False
    body = key[len(PREFIX) :]
    secret, check = body[:_SECRET_LENGTH], body[_SECRET_LENGTH:]
    return len(body) == _SECRET_LENGTH + _CHECK_LENGTH and _check_characters(secret) == check


def digest_key(key: str) -> bytes:
    return hashlib.sha256(key.encode()).digest()


def shorten_key(key: str) -> str:
    """What may be shown of a key later on, so that its owner recognises it."""
    return key[: len(PREFIX) + 6] + "…"
