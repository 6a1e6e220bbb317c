"""Which level a shop chooses, what it does at that level, what it costs, and whether it works."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from casebook.ops.demo.intake import Bay
from casebook.ops.demo.world import CHANGING_LEVELS, Cure, Fault

_RANK = {level: rank for rank, level in enumerate(CHANGING_LEVELS)}
# What a wrong part does for a fault: it sometimes helps a little, and it does not last.
_WRONG_PART = {"fixes": 0.12, "back": 2.5}
_EARLY_SHAPE = 0.8
_DAYS_A_YEAR = 365.0
_SOURCES = {"used": 0.4, "remanufactured": 0.38, "new": 0.22}
_SOURCE_PRICE = {"used": 0.5, "remanufactured": 0.95, "new": 1.5}
_SOURCE_BACK = {"used": 1.7, "remanufactured": 0.9, "new": 0.5}


@dataclass(frozen=True)
class Work:
    """One try: what is done, what it costs, and what it truly did.

    cured: put right at delivery; days_until_back: when it would return if cured (from delivery).
    """

    level: str
    actions: Sequence[str]
    source: str | None
    parts_cost: float
    labour_hours: float
    labour_cost: float
    right_part: bool
    cured: bool
    days_until_back: float


def judge_severity(bay: Bay, checks_made: int) -> float:
    """How bad it looks to the shop: nearer the truth the more was checked."""
    blur = 0.26 / math.sqrt(1.0 + 0.7 * checks_made)
    return min(1.0, max(0.0, bay.ailment.severity + bay.dice.normal(0.0, blur)))


def choose_level(bay: Bay, looks: float, tried: Sequence[Work]) -> str | None:
    """The level tried next, None where nothing is left to try.

    Bad-looking cases get more done to them: whoever compares levels without looking at severity
    will think that thorough repairs fail.
    """
    weights: dict[str, float] = {}
    for level, gladly in bay.kind.levels.items():
        if not _may_follow(level, tried) or not _is_done(bay, level):
            continue
        pull = gladly.at(looks) + bay.shop.leans.get(level, 0.0)
        pull += _sense(bay, level)
        if tried:
            pull += 0.8 * _RANK[level]
        weights[level] = math.exp(pull)
    return bay.dice.weigh(weights) if weights else None


def _is_done(bay: Bay, level: str) -> bool:
    """Whether anybody does anything at that level on this kind of unit."""
    return any(level in fault.actions for fault in bay.kind.faults)


def _sense(bay: Bay, level: str) -> float:
    """Some of the truth is seen by everybody who opens the bonnet."""
    fault, skill = bay.ailment.fault, bay.shop.skill
    if level not in fault.actions or level not in fault.cures:
        return -3.0
    sense = 1.7 * (fault.cures[level].fixes.at(bay.ailment.severity) - 0.6)
    return sense + (1.0 + 0.6 * skill if level == fault.takes else 0.0)


def _may_follow(level: str, tried: Sequence[Work]) -> bool:
    if not tried:
        return True
    last = tried[-1].level
    if last == "component":
        return _RANK[level] >= _RANK["component"] and sum(w.level == level for w in tried) < 2
    return _RANK[level] > _RANK[last]


def do_work(bay: Bay, level: str, checks_made: int, tried: Sequence[Work]) -> Work:
    dice, fault = bay.dice, bay.ailment.fault
    right = level != "component" or _finds_part(bay, checks_made, tried)
    cure = fault.cures.get(level) if right else None
    source = dice.weigh(_SOURCES) if level == "replacement" else None
    fixes, back_a_year = _odds(bay, cure)
    if source:
        back_a_year *= _SOURCE_BACK[source]
    actions = _actions(bay, level, right)
    parts, hours = _bill(bay, actions, source)
    return Work(
        level=level,
        actions=actions,
        source=source,
        parts_cost=parts,
        labour_hours=hours,
        labour_cost=round(hours * bay.shop.rate, 2),
        right_part=right,
        cured=dice.chance(fixes),
        days_until_back=dice.wait(_DAYS_A_YEAR / back_a_year, _EARLY_SHAPE),
    )


def _finds_part(bay: Bay, checks_made: int, tried: Sequence[Work]) -> bool:
    """Whether the shop goes for the part that is really at fault."""
    if not _mistakable(bay):
        return True
    share = 0.76 + 0.15 * bay.shop.skill + 0.02 * checks_made
    share += 0.15 * sum(not work.right_part for work in tried)
    return bay.dice.chance(min(0.96, share))


def _odds(bay: Bay, cure: Cure | None) -> tuple[float, float]:
    """Share put right at delivery, comebacks a year: truth of fault, severity and workmanship."""
    if cure is None:
        return _WRONG_PART["fixes"], _WRONG_PART["back"]
    severity = bay.ailment.severity
    fixes = min(0.985, max(0.015, cure.fixes.at(severity)))
    logit = math.log(fixes / (1.0 - fixes)) + 0.5 * bay.shop.skill
    back = max(0.01, cure.back.at(severity)) * math.exp(-0.55 * bay.shop.skill)
    return 1.0 / (1.0 + math.exp(-logit)), back


def _actions(bay: Bay, level: str, right: bool) -> Sequence[str]:
    dice, fault = bay.dice, bay.ailment.fault
    ways = fault.actions.get(level)
    if not right:
        ways = dice.pick(_mistakable(bay)).actions[level]
    elif ways is None:
        ways = next(f.actions[level] for f in bay.kind.faults if level in f.actions)
    return dice.pick(ways)


def _mistakable(bay: Bay) -> list[Fault]:
    """Faults of the same unit that show two symptoms of this one: the likely wrong tracks."""
    fault = bay.ailment.fault
    needed = min(2, len(fault.symptoms))
    return [
        other
        for other in bay.kind.faults
        if other.key != fault.key
        and "component" in other.actions
        and other.is_thinkable(bay.family)
        and len(other.symptoms.keys() & fault.symptoms.keys()) >= needed
    ]


def _bill(bay: Bay, actions: Sequence[str], source: str | None) -> tuple[float, float]:
    """Parts in EUR and hours: skewed, dearer for dear makes."""
    dice = bay.dice
    parts = hours = 0.0
    for action in actions:
        bill = bay.world.bills[action]
        parts += bill.parts[0] + (bill.parts[1] - bill.parts[0]) * dice.roll() ** 1.4
        hours += bill.hours[0] + (bill.hours[1] - bill.hours[0]) * dice.roll() ** 1.2
    parts *= bay.vehicle.build.price * (_SOURCE_PRICE[source] if source else 1.0)
    hours *= math.exp(-0.15 * bay.shop.skill)
    return round(parts, 2), max(0.2, round(hours, 1))


def note_costs(bay: Bay, work: Work) -> Mapping[str, object]:
    """What of the bill is entered: all of it, hours alone, or nothing."""
    dice = bay.dice
    if not dice.chance(bay.shop.prices):
        return {"labour_hours": work.labour_hours} if dice.chance(0.4) else {}
    return {
        "parts_cost": f"{work.parts_cost:.2f}",
        "labour_hours": work.labour_hours,
        "labour_cost": f"{work.labour_cost:.2f}",
        "currency": "EUR",
    }
