"""Which vehicle comes in, how old, how far it has been driven, and what ails it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from casebook.ops.demo.dice import Dice
from casebook.ops.demo.world import Build, Fault, UnitKind, World

_MEAN_AGE_YEARS = 8.0
_MEAN_KM = 125_000.0
_AGE_STEP_YEARS = 4.0
_KM_STEP = 70_000.0
_FEW_BEYOND_KM = 550_000.0
_MILES_SHARE = 0.02
_KM_PER_MILE = 1.609344
_UNREAD_ODOMETER = 0.04
_ROUNDED_ODOMETER = 0.3


@dataclass(frozen=True)
class Vehicle:
    build: Build
    year: int
    drive: str
    age_years: float
    km: float
    km_a_day: float
    miles: bool

    def odometer(self, days_later: float = 0.0) -> dict[str, Any]:
        """As the instrument shows it, in its unit."""
        km = self.km + self.km_a_day * days_later
        if self.miles:
            return {"value": round(km / _KM_PER_MILE), "unit": "mi"}
        return {"value": round(km), "unit": "km"}


@dataclass(frozen=True)
class Ailment:
    """The truth of a case: a root cause and how bad it is (0 slight, 1 as bad as can be)."""

    fault: Fault
    severity: float


def draw_vehicle(world: World, kind: str, opened: date, dice: Dice) -> Vehicle:
    builds = world.builds[kind]
    build = builds[dice.weigh({i: build.share for i, build in enumerate(builds)})]
    use = world.uses[build.use]
    age = max(0.4, use.typical_age * math.exp(dice.normal(0.0, 0.45)))
    year = min(max(round(opened.year - age), build.years[0]), build.years[1], opened.year)
    age = max(0.3, opened.year + opened.month / 12 - year - 0.4)
    km_a_year = use.km_a_year * math.exp(dice.normal(0.0, 0.3))
    # Vehicles are driven less as they age.
    km = km_a_year * (1.0 - math.exp(-0.045 * age)) / 0.045 * math.exp(dice.normal(0.0, 0.06))
    # And few of any kind come far beyond this.
    km = _FEW_BEYOND_KM * (1.0 - math.exp(-km / _FEW_BEYOND_KM))
    if dice.chance(_ROUNDED_ODOMETER):
        km = round(km, -3)
    return Vehicle(
        build=build,
        year=year,
        drive=dice.pick(build.drives),
        age_years=age,
        km=max(km, 900.0),
        km_a_day=km_a_year * math.exp(-0.045 * age) / 365.0,
        miles=dice.chance(_MILES_SHARE),
    )


def draw_ailment(kind: UnitKind, vehicle: Vehicle, dice: Dice) -> Ailment:
    """Age, distance, unit family and maker shape which fault it is, and how bad."""
    older = (vehicle.age_years - _MEAN_AGE_YEARS) / _AGE_STEP_YEARS
    farther = (vehicle.km - _MEAN_KM) / _KM_STEP
    family = vehicle.build.fits[kind.key]
    weights = {
        i: fault.weight
        * math.exp(min(2.0, max(-2.0, fault.age * older + fault.km * farther)))
        * fault.families.get(family, 1.0)
        * fault.makers.get(vehicle.build.make, 1.0)
        for i, fault in enumerate(kind.faults)
    }
    fault = kind.faults[dice.weigh(weights)]
    logit = math.log(fault.severity / (1.0 - fault.severity))
    logit += dice.normal(0.25 * older + 0.2 * farther, 0.9)
    return Ailment(fault, 1.0 / (1.0 + math.exp(-max(-5.0, min(5.0, logit)))))


def describe_vehicle(vehicle: Vehicle, dice: Dice) -> dict[str, Any]:
    """The vehicle as a shop enters it: not everything is always read."""
    described: dict[str, Any] = {
        "year": vehicle.year,
        "make": vehicle.build.make,
        "model": vehicle.build.model,
    }
    if dice.chance(0.92):
        described["engine"] = vehicle.build.engine
    if dice.chance(0.7):
        described["drive"] = vehicle.drive
    if not dice.chance(_UNREAD_ODOMETER):
        described["odometer"] = vehicle.odometer()
    return described


def _any_fuel(world: World) -> dict[str, UnitKind]:
    return {key: next(iter(kinds.values())) for key, kinds in world.kinds.items()}


def weigh_kinds(world: World, likes: Mapping[str, float], month: int) -> dict[str, float]:
    """How often each unit kind comes into a shop in a month (1 to 12)."""
    return {
        key: kind.share * likes.get(key, 1.0) * kind.season[month - 1]
        for key, kind in _any_fuel(world).items()
    }
