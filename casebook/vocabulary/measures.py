"""Units of measurement of the workshop and how they convert. Pure.

Factors are exact by definition (mile, inch, pound, US gallon, standard atmosphere) or rounded to
seven digits (pound-force based and mercury and water columns).
"""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass
from functools import cache
from typing import Final

KM_PER_MILE: Final = 1.609344

# Unit as shown, factor to the first unit of its dimension, other spellings.
_Row = tuple[str, float, tuple[str, ...]]


# Dimension -> (unit as shown, factor to the base unit, other spellings). The first is the base.
_UNITS: Final[dict[str, tuple[_Row, ...]]] = {
    "pressure": (
        ("kPa", 1.0, ("kilopascal",)),
        ("bar", 100.0, ("bars",)),
        ("psi", 6.894757, ("psig", "lb/in2", "lbs/in2", "pounds")),
        ("MPa", 1000.0, ("megapascal",)),
        ("mbar", 0.1, ("millibar",)),
        ("hPa", 0.1, ("hectopascal",)),
        ("Pa", 0.001, ("pascal",)),
        ("inHg", 3.386389, ('"hg', "in hg", "in.hg", "inches of mercury")),
        ("mmHg", 0.1333224, ("torr",)),
        ("inH2O", 0.2490889, ("inh2o", "in h2o", "inches of water", "inwc")),
        ("atm", 101.325, ("atmosphere",)),
        ("kg/cm2", 98.0665, ("kgf/cm2", "kp/cm2")),
    ),
    "temperature": (
        ("°C", 1.0, ("c", "degc", "deg c", "celsius", "° c")),
        ("°F", 5 / 9, ("f", "degf", "deg f", "fahrenheit", "° f")),
        ("K", 1.0, ("kelvin",)),
    ),
    # Not a temperature: 9 °F of difference are 5 K, whatever the zero points.
    "temperature difference": (
        ("K", 1.0, ("kelvin",)),
        ("°C", 1.0, ("c", "degc", "deg c", "celsius", "° c")),
        ("°F", 5 / 9, ("f", "degf", "deg f", "fahrenheit", "° f")),
    ),
    "voltage": (
        ("V", 1.0, ("volt", "volts", "vdc", "v dc")),
        ("mV", 0.001, ("millivolt", "millivolts")),
        ("kV", 1000.0, ("kilovolt", "kilovolts")),
    ),
    "current": (
        ("A", 1.0, ("amp", "amps", "ampere", "amperes")),
        ("mA", 0.001, ("milliamp", "milliamps", "milliampere")),
        ("µA", 1e-6, ("ua", "microamp", "microamps")),
    ),
    "resistance": (
        ("Ω", 1.0, ("ohm", "ohms")),
        ("mΩ", 0.001, ("mohm", "mohms", "milliohm", "milliohms")),
        ("kΩ", 1e3, ("kohm", "kohms", "kilohm", "kilohms", "k")),
        ("MΩ", 1e6, ("Mohm", "Mohms", "megohm", "megohms", "megaohm")),
    ),
    "length": (
        ("mm", 1.0, ("millimetre", "millimeter", "millimetres", "millimeters")),
        ("cm", 10.0, ("centimetre", "centimeter")),
        ("m", 1000.0, ("metre", "meter")),
        ("in", 25.4, ("inch", "inches", '"')),
        ("thou", 0.0254, ("mil", "mils")),
        ("µm", 0.001, ("um", "micron", "microns")),
    ),
    "distance": (
        ("km", 1.0, ("kilometre", "kilometer", "kilometres", "kilometers", "kms")),
        ("mi", KM_PER_MILE, ("mile", "miles")),
    ),
    "speed": (
        ("km/h", 1.0, ("kmh", "kph")),
        ("mph", KM_PER_MILE, ("mi/h",)),
    ),
    "rotation": (("rpm", 1.0, ("1/min", "min-1", "r/min", "u/min", "rev/min")),),
    "share": (("%", 1.0, ("percent", "pct", "per cent")),),
    "torque": (
        ("Nm", 1.0, ("n m", "newton metre", "newton meter", "n·m")),
        ("lbft", 1.355818, ("lb-ft", "ft-lb", "ftlb", "ft lb", "lb ft", "lb·ft", "lbf ft")),
        ("lbin", 0.1129848, ("lb-in", "in-lb", "inlb", "in lb", "lb in")),
        ("kgm", 9.80665, ("kgf m", "kg m", "mkg")),
    ),
    "volume": (
        ("l", 1.0, ("litre", "liter", "litres", "liters", "ltr")),
        ("ml", 0.001, ("millilitre", "milliliter", "cc", "cm3")),
        ("qt", 0.946352946, ("quart", "quarts", "us qt")),
        ("gal", 3.785411784, ("gallon", "gallons", "us gal")),
    ),
    "mass": (
        ("g", 1.0, ("gram", "grams", "gr")),
        ("kg", 1000.0, ("kilogram", "kilograms")),
        ("oz", 28.349523125, ("ounce", "ounces")),
        ("lb", 453.59237, ("lbs", "pound")),
    ),
    "time": (
        ("s", 1.0, ("sec", "secs", "second", "seconds")),
        ("ms", 0.001, ("msec", "millisecond", "milliseconds")),
        ("min", 60.0, ("mins", "minute", "minutes")),
        ("h", 3600.0, ("hr", "hrs", "hour", "hours")),
    ),
    "angle": (("°", 1.0, ("deg", "degree", "degrees")),),
    "mass flow": (
        ("g/s", 1.0, ("gps", "g/sec")),
        ("kg/h", 1 / 3.6, ("kgh", "kg/hr")),
        ("lb/min", 7.559873, ("lbs/min",)),
    ),
    "frequency": (("Hz", 1.0, ("hertz",)), ("kHz", 1000.0, ("kilohertz",))),
    "energy": (("kWh", 1.0, ("kilowatt hour",)), ("Wh", 0.001, ("watt hour",))),
    "power": (("kW", 1.0, ("kilowatt",)), ("W", 0.001, ("watt",)), ("hp", 0.7456999, ("bhp",))),
    "oil use": (
        ("l/1000km", 1.0, ("l/1000 km", "litre/1000km")),
        ("ml/1000km", 0.001, ("ml/1000 km",)),
        ("qt/1000mi", 0.946352946 / KM_PER_MILE, ("qt/1000 mi", "quart/1000mi")),
    ),
}

# Zero points that differ: value x factor + this is in the first unit of the dimension.
_OFFSETS: Final = {("temperature", "°F"): -160 / 9, ("temperature", "K"): -273.15}


@dataclass(frozen=True, slots=True)
class Measure:
    """A unit within its dimension: value x factor + offset is in the dimension's first unit."""

    dimension: str
    unit: str
    factor: float
    offset: float = 0.0

    def to_base(self, value: float) -> float:
        return value * self.factor + self.offset

    def from_base(self, value: float) -> float:
        return (value - self.offset) / self.factor


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """The same quantity in another unit. Temperatures are readings, not differences.

    Raises ValueError where a unit is not known, the two measure different things, or the value is
    not finite.
    """
    if not math.isfinite(value):
        raise ValueError("Give a finite number.")
    for unit in (from_unit, to_unit):
        if not any(find_measure(unit, dimension) for dimension in _UNITS):
            raise ValueError(f"{unit[:20]!r} is not a unit that is known here.")
    for dimension in _UNITS:
        given, wanted = find_measure(from_unit, dimension), find_measure(to_unit, dimension)
        if given and wanted:
            return wanted.from_base(given.to_base(value))
    raise ValueError(f"{from_unit[:20]} does not convert to {to_unit[:20]}.")


def dimension_of(unit: str) -> str | None:
    """The first dimension that has the unit; None where it is not known."""
    return next((name for name in _UNITS if find_measure(unit, name)), None)


def units_of(dimension: str) -> tuple[str, ...]:
    """The units of a dimension as they are shown, its first unit first."""
    return tuple(row[0] for row in _UNITS[dimension])


def find_measure(text: str, dimension: str) -> Measure | None:
    """The unit of that spelling: exactly, else in any letter case if that leaves one."""
    exact, folded = _spellings(dimension)
    tidy = _tidy(text)
    return exact.get(tidy) or folded.get(tidy.casefold())


def _tidy(text: str) -> str:
    # What is typed for the degree sign would otherwise fall apart into a letter or an accent.
    degrees = text.replace("º", "°").replace("˚", "°")
    return " ".join(unicodedata.normalize("NFKC", degrees).split()).rstrip(".")


@cache
def _spellings(dimension: str) -> tuple[dict[str, Measure], dict[str, Measure]]:
    exact: dict[str, Measure] = {}
    folded: dict[str, set[Measure]] = {}
    for unit, factor, others in _UNITS[dimension]:
        measure = Measure(dimension, unit, factor, _OFFSETS.get((dimension, unit), 0.0))
        for spelling in (unit, *others):
            tidy = _tidy(spelling)
            exact[tidy] = measure
            folded.setdefault(tidy.casefold(), set()).add(measure)
    return exact, {key: found.pop() for key, found in folded.items() if len(found) == 1}
