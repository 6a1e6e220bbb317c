"""Sign-ins and keys of the demo's shops, kept so that every start can show them again.

Keys are shown once and stored as hashes, so the demo keeps its own in `demo.json` in the data
folder, readable by its owner alone. What no longer works (a lost file, a revoked key, a changed
password) is made anew.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from casebook.ops.demo.generator import DemoPerson
from casebook.shops.models import Person, Shop
from casebook.shops.roles import KEY_ROLES
from casebook.shops.services import add_key, add_person, find_key, set_password

FILE_NAME = "demo.json"
_WORDS = (
    "amber anvil axle brass cedar clover cobalt copper ember fern flint gasket granite harbor "
    "hazel iron juniper kettle lantern linen maple mica nickel oak pewter piston quartz rivet "
    "rubber saddle slate spanner steel tin timber torque valve walnut willow zinc"
).split()


@dataclass
class Access:
    """What somebody needs to get into one shop."""

    sign_ins: dict[str, dict[str, str]] = field(default_factory=dict)
    keys: dict[str, str] = field(default_factory=dict)


class AccessFile:
    """`demo.json`: accesses by shop id. Written whole and at once, never half."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE_NAME
        self._by_shop = self._read()

    def _read(self) -> dict[str, Access]:
        try:
            data = json.loads(self.path.read_text(encoding="utf-8"))
            return {shop: Access(**access) for shop, access in data["shops"].items()}
        except FileNotFoundError:
            return {}
        except (ValueError, KeyError, TypeError, AttributeError):
            # Damaged: all that was in it can be made anew.
            return {}

    def get(self, shop: Shop) -> Access:
        return self._by_shop.get(str(shop.pk), Access())

    def put(self, shop: Shop, access: Access) -> None:
        self._by_shop[str(shop.pk)] = access

    def save(self) -> None:
        document = {"shops": {shop: asdict(access) for shop, access in self._by_shop.items()}}
        draft = self.path.with_suffix(".new")
        draft.unlink(missing_ok=True)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            json.dump(document, file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(self.path)


def grant_access(*, shop: Shop, people: Sequence[DemoPerson], known: Access) -> Access:
    """Sign-ins and keys that work now: the known ones where they still do, else new ones."""
    return Access(
        sign_ins={
            person.role: _sign_in(shop, person, known.sign_ins.get(person.role, {}))
            for person in people
        },
        keys={role: _key(shop, role, known.keys.get(role, "")) for role in KEY_ROLES},
    )


def _sign_in(shop: Shop, wanted: DemoPerson, known: Mapping[str, Any]) -> dict[str, str]:
    person = Person.objects.filter(email=wanted.email).first()
    password = str(known.get("password") or _new_password())
    if person is None:
        add_person(shop=shop, email=wanted.email, role=wanted.role, password=password)
    elif not person.check_password(password):
        set_password(person=person, password=password)
    return {"email": wanted.email, "password": password}


def _new_password() -> str:
    """Four words: 21 random bits for the words and 13 for the number; easy on a phone."""
    return "-".join(
        [*(secrets.choice(_WORDS) for _ in range(4)), str(secrets.randbelow(9000) + 1000)]
    )


def _key(shop: Shop, role: str, known: str) -> str:
    key = find_key(known) if known else None
    if key is not None and key.shop_id == shop.pk and key.granted == {role}:
        return known
    return add_key(shop=shop, roles=[role], name=f"demo {role}")[1]
