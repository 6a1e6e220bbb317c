"""What would turn the choice between plans: each input by itself, in a sentence. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from casebook.web.figures import LABELS
from casebook.web.words import say_money, uncapital

MOST_FLIPS = 5
_INPUTS = {
    "costs.service": "the service",
    "costs.component": "the component repair",
    "costs.overhaul": "the overhaul",
    "costs.replacement.used": "the used unit",
    "costs.replacement.remanufactured": "the remanufactured unit",
    "costs.replacement.new": "the new unit",
    "costs.diagnosis": "the diagnosis",
    "costs.comeback": "a comeback",
    "costs.further_damage": "further damage",
    "costs.replacement_comeback": "a comeback of the other unit",
    "vehicle.value_working": "what it is worth working",
    "vehicle.value_not_working": "what it is worth not working",
}


def part_flips(
    sensitivity: Sequence[Mapping[str, Any]],
) -> tuple[list[Mapping[str, Any]], list[Mapping[str, Any]]]:
    """What turns the choice within what is likely for it, the nearest first; and what would only
    beyond."""
    turning = [item for item in sensitivity if item["flips_to"]]

    def distance(item: Mapping[str, Any]) -> float:
        value = float(item["value"])
        return abs(float(item["flips_at"]) - value) / max(abs(value), 1e-9)

    turning.sort(key=lambda item: (distance(item), item["input"]))
    near = [
        item
        for item in turning
        if float(item["low"]["value"]) <= float(item["flips_at"]) <= float(item["high"]["value"])
    ]
    return near[:MOST_FLIPS], [item for item in turning if item not in near[:MOST_FLIPS]]


def say_steady(near: Sequence[Any], sensitivity: Sequence[Any]) -> str:
    if near or not sensitivity:
        return ""
    return "No single figure, as high or as low as is likely, changes the choice."


def say_flip(item: Mapping[str, Any], currency: str | None) -> str:
    now, then = float(item["value"]), float(item["flips_at"])
    to = uncapital(item["flips_to"]["label"])
    if item["input"].startswith("probabilities."):
        level = item["input"].partition(".")[2]
        name = LABELS.get(f"probabilities.{level.partition('.')[0]}", level)
        side = "more" if then > now else "fewer"
        at, taken = (f"{100 * chance:.0f} of 100" for chance in (then, now))
        bound = f"a little {side} than {at}" if at == taken else f"{side} than {at}"
        return f"{name} in {bound} (taken: {taken}): then the cheapest is: {to}."
    side = "more" if then > now else "less"
    at, taken = say_money(then, currency, whole=True), say_money(now, currency, whole=True)
    name = _INPUTS.get(item["input"], LABELS.get(item["input"], item["input"]).lower())
    verb = "is" if item["input"].startswith("vehicle.") else "costs"
    name = name[0].upper() + name[1:]
    return f"{name} {verb} {side} than {at} (taken: {taken}): then the cheapest is: {to}."
