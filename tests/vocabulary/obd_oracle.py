"""Meaning-bearing words of another public table of codes, and how Casebook says the same.

A second, independent source for what a standard code means. Only its facts are compared: which
part, which one of several, in which way it fails.
"""

from __future__ import annotations

import re

# What the other table says -> words of which one must stand in Casebook's own description.
PARTS = {
    "ambient air": ("outside air",),
    "barometric": ("outside air pressure", "manifold pressure"),
    "mass or volume air flow": ("air flow",),
    "manifold absolute pressure": ("manifold pressure",),
    "intake air temperature": ("intake air",),
    "coolant temperature": ("coolant",),
    "o2 sensor": ("oxygen sensor",),
    "ho2s": ("oxygen sensor heater",),
    "throttle": ("throttle",),
    "pedal position sensor": ("pedal position sensor",),
    "fuel rail": ("fuel rail",),
    "fuel pump": ("fuel pump",),
    "fuel level": ("fuel level",),
    "fuel temperature": ("fuel temperature",),
    "fuel composition": ("fuel composition",),
    "fuel pressure regulator": ("fuel pressure regulator",),
    "injector": ("injector", "injection"),
    "camshaft position sensor": ("camshaft position sensor",),
    "camshaft position actuator": ("cam timing actuator",),
    "camshaft position - ": ("cam",),
    "crankshaft position sensor": ("crankshaft position sensor",),
    "knock sensor": ("knock sensor",),
    "ignition coil": ("ignition coil",),
    "glow plug": ("glow plug",),
    "misfire": ("misfire",),
    "recirculation": ("egr",),
    "secondary air": ("secondary air",),
    "catalyst": ("catalyst",),
    "evaporative": ("vapour", "tank pressure"),
    "particulate": ("particulate",),
    "nox sensor": ("nox sensor",),
    "reductant": ("reductant",),
    "exhaust gas temperature": ("exhaust temperature",),
    "exhaust pressure": ("exhaust pressure",),
    "turbo": ("charger", "boost", "wastegate", "turbine"),
    "wastegate": ("wastegate",),
    "oil pressure": ("oil pressure",),
    "oil temperature": ("oil temperature",),
    "vehicle speed": ("vehicle speed",),
    "brake switch": ("brake switch",),
    "idle air": ("idle",),
    "cruise control": ("cruise",),
    "system voltage": ("system voltage", "charging voltage"),
    "generator": ("generator", "charge lamp"),
    "starter": ("starter",),
    "battery temperature": ("battery temperature",),
    "refrigerant": ("refrigerant",),
    "evaporator": ("evaporator",),
    "a/c clutch": ("a/c clutch",),
    "thermostat": ("thermostat",),
    "fan": ("fan",),
    "power steering": ("power steering",),
    "brake booster": ("brake booster",),
    "sensor reference voltage": ("sensor supply", "oxygen sensor reference voltage"),
    "actuator supply": ("actuator supply",),
    "immobilizer": ("immobiliser",),
    "transmission fluid temperature": ("transmission fluid temperature",),
    "transmission fluid pressure": ("transmission fluid pressure",),
    "transmission range sensor": ("transmission range sensor",),
    "input/turbine": ("input speed",),
    "output speed sensor": ("output speed sensor",),
    "intermediate shaft": ("intermediate shaft",),
    "torque converter": ("torque converter",),
    "pressure control solenoid": ("pressure control solenoid", "clutch pressure solenoid"),
    "shift solenoid": ("shift solenoid",),
    "incorrect ratio": ("gear ratio",),
    "reverse": ("reverse",),
    "clutch position": ("clutch position",),
    "clutch pedal": ("clutch pedal",),
    "clutch actuator": ("clutch actuator",),
    "gate select": ("gate select",),
    "gear shift position": ("gear shift",),
    "hydraulic": ("hydraulic",),
    "four wheel drive": ("four-wheel drive",),
    "friction element": ("friction element",),
    "transfer case": ("transfer case",),
    "rocker arm": ("rocker arm",),
    "deactivation": ("cut-out",),
    "exhaust valve control": ("exhaust valve control",),
    "intake manifold runner": ("runner",),
    "intake manifold tuning": ("tuning",),
    "water in fuel": ("water in fuel",),
    "dc/dc": ("dc/dc",),
    "drive motor": ("drive motor",),
    "motor electronics": ("motor electronics",),
    "lost communication": ("link to", "lost"),
    "software incompatibility": ("software",),
    "invalid data": ("data",),
    "anti-lock": ("anti-lock",),
    "body control": ("body control",),
    "with tcm": ("transmission control",),
    "restraints control": ("restraints",),
    "instrument panel": ("instrument cluster",),
    "steering angle": ("steering angle",),
    "tire pressure": ("tyre pressure",),
    "hvac": ("climate",),
    "high speed can": ("high speed",),
    "medium speed can": ("medium speed",),
    "low speed can": ("low speed",),
}

# How it fails: pattern of the other table -> pattern that must be found in Casebook's own.
FAILURES = {
    r"\bcircuit low\b|low input|low voltage|sensor low|\(low\)": r"\blow",
    r"\bcircuit high\b|high input|high voltage|sensor high|\(high\)": r"\bhigh",
    r"range[ /]performance": r"implausible|out of range|does not|fault|wrong|too long",
    r"intermittent": r"intermittent",
    r"no signal": r"no signal",
    r"no activity": r"no activity",
    r"slow": r"slow",
    r"stuck on\b": r"stuck on\b",
    r"stuck off": r"stuck off",
    r"stuck open": r"stuck open",
    r"stuck closed": r"stuck closed",
    r"stuck lean|too lean": r"lean",
    r"stuck rich|too rich": r"rich",
    r"electrical$": r"electrical",
    r"correlation": r"do not agree|does not fit",
    r"advanced": r"advanced",
    r"retarded": r"retarded",
    r"too high|over temperature|overspeed|overboost": r"high|hot|over|fast|much|too long",
    r"too low|underboost|low flow": r"low|little",
    r"insufficient": r"too l|little",
    r"excessive": r"too much|slips",
    r"large leak": r"large",
    r"\(small leak\)|- small": r"small",
    r"very small": r"very small",
    r"below threshold": r"below its limit|too low",
    r"shorted": r"shorted",
    r"circuit/ ?open|\bopen\)|circuit open": r"open",
}


def differences(theirs: str, own: str) -> list[str]:
    """What the other table says of a code that Casebook's description does not."""
    them, us = theirs.casefold(), own.casefold()
    found = [
        part
        for part, words in PARTS.items()
        if part in them and not any(word in us for word in words)
    ]
    found += [
        theirs_say
        for theirs_say, ours_say in FAILURES.items()
        if re.search(theirs_say, them) and not re.search(ours_say, us)
    ]
    return found + [one for one in _which_one(theirs) if not re.search(rf"\b{one}\b", own)]


def facts_compared(theirs: str) -> int:
    """How many facts `differences` looks at: 0 would be no comparison."""
    them = theirs.casefold()
    parts = sum(part in them for part in PARTS)
    failures = sum(re.search(pattern, them) is not None for pattern in FAILURES)
    return parts + failures + len(_which_one(theirs))


def _which_one(text: str) -> list[str]:
    """Letters in quotes and numbers: which of several alike parts."""
    letters = re.findall(r"'([A-L])'", text)
    numbers = re.findall(r"(?:cylinder|gear|bank|sensor|fan|unit)\s+#?(\d+)", text.casefold())
    return list(dict.fromkeys(letters + numbers))
