"""Stand-in until the full module is written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from casebook.vocabulary.terms import Check


@dataclass(frozen=True)
class Reading:
    value: float
    doubts: tuple[str, ...] = ()


def normalise_number(check: Check, value: float, unit: str | None) -> Reading:
    if unit != check.unit:
        raise ValueError(f"Give {check.key} in {check.unit}.")
    return Reading(value)


def odometer_doubts(value: float, unit: str, *, age_years: int | None) -> Iterator[str]:
    yield from ()
