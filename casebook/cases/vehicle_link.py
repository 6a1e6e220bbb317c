"""Links visits of one vehicle inside the server without keeping its VIN."""

from __future__ import annotations

import hashlib
import hmac

from django.conf import settings


def link_vehicle(vin: str | None) -> bytes | None:
    """Keyed hash of the VIN (HMAC-SHA-256); None where there is none."""
    if not vin:
        return None
    compact = "".join(character for character in vin.upper() if character.isalnum())
    key = hmac.new(settings.SECRET_KEY.encode(), b"vehicle link", hashlib.sha256).digest()
    return hmac.new(key, compact.encode(), hashlib.sha256).digest()
