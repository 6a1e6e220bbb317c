"""Make and model from a VIN, where the optional package `ultravin` is installed. Pure.

It carries NHTSA's register of makers and of what their VINs mean (vPIC), so it knows vehicles made
for sale in the United States well and others hardly. Its names are suggestions in its own
spelling: nothing that was typed is replaced by them. Without it, or when it fails, nothing is
known of the make, and nothing else is different.
"""

from __future__ import annotations

import importlib
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import ModuleType
from typing import Final

log = logging.getLogger(__name__)

_PACKAGE: Final = "ultravin"
# As long as a case's make may be.
_LONGEST_NAME: Final = 60


@dataclass(frozen=True, slots=True)
class Maker:
    """make, model: as the source spells them; model is None where only the make is known.

    source: which register, of which month, read by what.
    """

    make: str
    model: str | None
    source: str


def look_up_make(vin: str) -> Maker | None:
    """Who made the vehicle, by 17 clean characters; None where that isn't known.

    Never raises for what the package does, and logs no character of the VIN.
    """
    package = _load()
    if package is None:
        return None
    try:
        attributes = package.decode(vin)["attributes"]
        make = _name(attributes, "Make")
        return Maker(make, _name(attributes, "Model"), _source(package)) if make else None
    except BaseException as error:
        # A panic of its compiled part is no Exception; whatever else is none is not the package's.
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        # The message may hold the VIN; the kind of error does not.
        log.warning("%s could not read a VIN: %s.", _PACKAGE, type(error).__name__)
        return None


@cache
def _load() -> ModuleType | None:
    """The package, or None; looked for once, since a missing one is missed at every VIN."""
    try:
        return importlib.import_module(_PACKAGE)
    except ImportError as error:
        if not (isinstance(error, ModuleNotFoundError) and error.name == _PACKAGE):
            log.warning("%s is installed, but does not load: %s", _PACKAGE, error)
        return None


def _name(attributes: Mapping[str, object], variable: str) -> str | None:
    value = attributes.get(variable)
    name = " ".join(value.split()) if isinstance(value, str) else ""
    return name if 0 < len(name) <= _LONGEST_NAME else None


def _source(package: ModuleType) -> str:
    """Such as "NHTSA vPIC 2026-10 (ultravin 3.0.2)"."""
    month = str(package.provenance()["data_month"]).replace("_", "-")
    return f"NHTSA vPIC {month} ({_PACKAGE} {package.__version__})"
