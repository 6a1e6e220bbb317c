"""Which values are possible, plausible or doubtful. Pure.

A hard limit refuses, a soft limit warns and accepts; both say the limit. Limits of a check are
data of that check; those of the odometer stand here. All of them are common practice without a
published source. They bound what is typed in and never become probabilities.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import chain
from typing import Final

from casebook.vocabulary.measures import (
    KM_PER_MILE,
    Measure,
    convert,
    dimension_of,
    find_measure,
    units_of,
)
from casebook.vocabulary.terms import Check

__all__ = ["Reading", "convert", "find_unit", "normalise_number", "odometer_doubts"]

ODOMETER_MAX_KM: Final = 5_000_000
ODOMETER_DOUBT_KM: Final = 800_000
ODOMETER_DOUBT_KM_A_YEAR: Final = 160_000
# Cars with five-digit odometers were built until about then.
FIVE_DIGITS_UNTIL: Final = 1990
HOURS_DOUBT: Final = 30_000
HOURS_DOUBT_A_YEAR: Final = 6_000
HOURS_OF_A_YEAR: Final = 8_784

# What gets written in place of what; tried in this order for a hint.
_CONFUSED: Final = {
    "°C": ("°F",),
    "K": ("°F",),
    "kPa": ("psi", "bar", "mbar"),
    "MPa": ("bar", "kPa", "psi"),
    "bar": ("psi", "kPa"),
    "V": ("mV",),
    "mV": ("V",),
    "A": ("mA",),
    "mA": ("A",),
    "Ω": ("kΩ",),
    "kΩ": ("Ω",),
    "mm": ("in", "thou"),
    "Nm": ("lbft",),
    "km": ("mi",),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in the check's own unit, and plain sentences on what is doubtful about it."""

    value: float
    doubts: tuple[str, ...] = ()


def normalise_number(check: Check, value: float, unit: str | None) -> Reading:
    """The value of a numeric check in the check's own unit.

    Raises ValueError: the unit is missing or measures something else (names the accepted ones),
    or the value lies outside the hard limits (names them).
    """
    if isinstance(value, bool) or not math.isfinite(value):
        raise ValueError(f"Give {check.label} as a finite number.")
    given = _unit_of(check, unit)
    own = value if given is None else _to_own(check, value, given)
    if check.hard is not None and not check.hard[0] <= own <= check.hard[1]:
        low, high = check.hard
        hint = _other_unit_hint(check, value, given)
        raise ValueError(
            f"{_as_given(check, own, value, given)} is not possible for {check.label}: "
            f"it lies from {_number(low)} to {_show(high, check)}.{hint}"
        )
    return Reading(own, tuple(_doubts(check, own, value, given)))


def find_unit(check: Check, text: str) -> str | None:
    """The unit of that spelling, where it measures what the check does."""
    if check.unit is None or text == check.unit:
        return check.unit
    dimension = _dimension(check.unit)
    found = None if dimension is None else find_measure(text, dimension)
    return None if found is None else found.unit


def _unit_of(check: Check, unit: str | None) -> Measure | None:
    """The given unit within the dimension of the check; None for a check without a unit."""
    if check.unit is None:
        if unit:
            raise ValueError(f"{check.label} has no unit; leave {unit[:20]} out.")
        return None
    dimension = _dimension(check.unit)
    if dimension is None:
        if unit == check.unit:
            return None
        raise ValueError(f"Give {check.label} in {check.unit}.")
    accepted = ", ".join([check.unit, *(u for u in units_of(dimension) if u != check.unit)])
    if not unit:
        raise ValueError(f"Say the unit of {check.label}: {accepted}.")
    given = find_measure(unit, dimension)
    if given is None:
        raise ValueError(f"{unit[:20]} does not measure {check.label}: give one of {accepted}.")
    return given


def _dimension(own_unit: str) -> str | None:
    # A check in kelvin is a difference of two temperatures.
    return "temperature difference" if own_unit == "K" else dimension_of(own_unit)


def _to_own(check: Check, value: float, given: Measure) -> float:
    own = find_measure(check.unit or "", given.dimension)
    if own is None or own == given:
        return value
    # Twelve digits: conversion noise must not push a value over its own limit.
    return float(f"{own.from_base(given.to_base(value)):.12g}")


def _doubts(check: Check, own: float, value: float, given: Measure | None) -> Iterator[str]:
    usual = _usual_range(check, own)
    if usual is None or usual[0] <= own <= usual[1]:
        return
    low, high = usual
    hint = _other_unit_hint(check, value, given)
    said = f"{check.label}: {_as_given(check, own, value, given)}"
    if usual == check.soft_24v:
        hint += " That is for a 24 V system."
    if own < low:
        yield f"{said} is less than the usual {_show(low, check)} or more.{hint}"
    else:
        yield f"{said} is more than the usual {_show(high, check)} or less.{hint}"


def _usual_range(check: Check, own: float) -> tuple[float, float] | None:
    """The usual range; of a supply voltage that of 24 V systems where the value is nearer to it."""
    if check.soft is None or check.soft_24v is None:
        return check.soft
    halfway = (check.soft[1] + check.soft_24v[0]) / 2
    return check.soft_24v if own > halfway else check.soft


def _other_unit_hint(check: Check, value: float, given: Measure | None) -> str:
    """Names the unit in which the same number would be usual."""
    if given is None or check.soft is None:
        return ""
    for unit in _CONFUSED.get(given.unit, ()):
        other = find_measure(unit, given.dimension)
        if other and check.soft[0] <= _to_own(check, value, other) <= check.soft[1]:
            return f" Was it {value:g} {unit}?"
    return ""


def _as_given(check: Check, own: float, value: float, given: Measure | None) -> str:
    """As it was read off the gauge, with the check's own unit behind where that is another."""
    if given is None or given.unit == check.unit:
        return _show(own, check)
    return f"{_number(value)} {given.unit} ({_show(float(f'{own:.3g}'), check)})"


def _show(value: float, check: Check) -> str:
    return f"{_number(value)} {check.unit}" if check.unit else _number(value)


def _number(value: float) -> str:
    """Six digits that count, thousands parted, never in powers of ten up to 10,000,000,000."""
    return f"{float(f'{value:.6g}'):,.10g}"


def odometer_doubts(
    value: float, unit: str, *, age_years: int | None, today: date | None = None
) -> Iterator[str]:
    """Sentences on what is doubtful about an odometer (km, mi) or an hour meter (h).

    today: the day the age is counted to, default that of the clock.
    Raises ValueError for another unit, a value below 0 or above the hard limit, an age below 0.
    """
    if unit not in ("km", "mi", "h"):
        raise ValueError("Give the odometer in km, mi or h.")
    if not 0 <= value <= ODOMETER_MAX_KM:
        raise ValueError(f"An odometer shows 0 to {ODOMETER_MAX_KM:,}.")
    if age_years is not None and age_years < 0:
        raise ValueError("An age is not negative.")
    if unit == "h":
        return _hour_doubts(value, age_years)
    return chain(
        _distance_doubts(value, unit, age_years),
        _rollover_doubts(value, age_years, (today or date.today()).year),
    )


def _distance_doubts(value: float, unit: str, age_years: int | None) -> Iterator[str]:
    km = value * KM_PER_MILE if unit == "mi" else value
    shown = f"{km:,.0f} km" if unit == "km" else f"{value:,.0f} mi ({km:,.0f} km)"
    years = None if age_years is None else max(1, age_years)
    in_all = km > ODOMETER_DOUBT_KM
    a_year = years is not None and km / years > ODOMETER_DOUBT_KM_A_YEAR
    if in_all:
        yield f"{shown} is more than {ODOMETER_DOUBT_KM:,} km."
    if a_year and years is not None:
        yield (
            f"{shown} in {years} {'year' if years == 1 else 'years'} "
            f"is more than {ODOMETER_DOUBT_KM_A_YEAR:,} km a year."
        )
    if (in_all or a_year) and unit == "mi" and _usual(value, years):
        yield "In kilometres it would be usual: does the odometer count miles?"
    elif (in_all or a_year) and _usual(km / 10, years):
        yield "Does the last digit count tenths? Leave those out."


def _rollover_doubts(value: float, age_years: int | None, this_year: int) -> Iterator[str]:
    if age_years is not None and this_year - age_years <= FIVE_DIGITS_UNTIL and value < 100_000:
        yield (
            "An odometer of that age may have five digits and start again after 99,999: "
            "add what it can't show if that is known."
        )


def _usual(km: float, years: int | None) -> bool:
    return km <= ODOMETER_DOUBT_KM and (years is None or km / years <= ODOMETER_DOUBT_KM_A_YEAR)


def _hour_doubts(value: float, age_years: int | None) -> Iterator[str]:
    if value > HOURS_DOUBT:
        yield (
            f"{value:,.0f} h is more than {HOURS_DOUBT:,} h: "
            "does it count hours, and not kilometres or tenths?"
        )
    if age_years is None:
        return
    years = max(1, age_years)
    if value / years > HOURS_OF_A_YEAR:
        yield f"{value:,.0f} h is more than the vehicle is old: a year has {HOURS_OF_A_YEAR:,} h."
    elif value / years > HOURS_DOUBT_A_YEAR:
        yield f"{value:,.0f} h is more than {HOURS_DOUBT_A_YEAR:,} h a year."
