"""The table of workshop shorthand: what is written, and what it means. Pure."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

DATA_FILE: Final = Path(__file__).parent / "data" / "normaliser.toml"


@cache
def load_normaliser() -> Mapping[str, str]:
    """Written form -> what it means, lower case; "" drops the word."""
    with DATA_FILE.open("rb") as file:
        document = tomllib.load(file)
    table = {
        written: meant
        for entries in document.values()
        for written, (meant, _reason) in entries.items()
    }
    return MappingProxyType(table)


# The name under which the search knows the same table.
load_replacements = load_normaliser
