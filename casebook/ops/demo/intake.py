"""What is learned of a vehicle before anybody repairs it: codes, symptoms, findings, complaint."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from casebook.ops.demo.dice import Dice
from casebook.ops.demo.phrases import say
from casebook.ops.demo.vehicles import Ailment, Vehicle
from casebook.ops.demo.voices import Voice
from casebook.ops.demo.world import Reading, UnitKind, Workshop, World

_STATUSES = {"stored": 0.68, "active": 0.12, "pending": 0.1, "permanent": 0.04, "history": 0.06}
_MISREAD = 0.04
_MODULE_NAMED = 0.55
_CONDITION_NOTED = 0.75
_SYMPTOM_NOTED = 0.82
_CONDITION_TOLD = 0.85
_SLIGHT, _BAD = 0.3, 0.72
_LAMPS = {
    "engine_lamp",
    "engine_lamp_flashes",
    "limp_mode",
    "hybrid_lamp",
    "abs_lamp",
    "airbag_lamp",
    "steering_lamp",
}
_TEMPERATURES = {"cold", "warm", "hot"}


@dataclass(frozen=True)
class Bay:
    """Who works on what: the setting that all draws of one case share."""

    world: World
    kind: UnitKind
    shop: Workshop
    voice: Voice
    vehicle: Vehicle
    ailment: Ailment
    dice: Dice

    @property
    def family(self) -> str:
        return self.vehicle.build.fits[self.kind.key]

    def fill(self, **more: str) -> dict[str, str]:
        """Words for the braces in phrases."""
        dice, world = self.dice, self.world
        return {
            "month": dice.pick(world.fill["month"]),
            "day": dice.pick(world.fill["day"]),
            "name": dice.pick(world.fill["name"]),
            "phone": say(dice.pick(world.fill["phone"]), dice, {}),
            "part": dice.pick(self.kind.part_names),
            **more,
        }


def draw_codes(bay: Bay, symptoms: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Trouble codes read at intake; none where nobody connected the scanner."""
    dice, fault = bay.dice, bay.ailment.fault
    if not dice.chance(bay.shop.reads):
        return []
    found = [
        code for code, shown in fault.codes.items() if dice.chance(shown.at(bay.ailment.severity))
    ]
    if not found and fault.codes and _shows_lamp(symptoms):
        # A lamp does not light without a reason that the scanner can read.
        found = [max(fault.codes, key=lambda code: fault.codes[code].at(bay.ailment.severity))]
    found += [code for code, share in bay.kind.strays.items() if dice.chance(share)]
    codes = []
    for code in dict.fromkeys(found):
        entry: dict[str, Any] = {"code": code, "status": dice.weigh(_STATUSES)}
        if bay.kind.module[0] and dice.chance(_MODULE_NAMED):
            entry["module"] = dice.pick(bay.kind.module)
        codes.append(entry)
    return codes


def _shows_lamp(symptoms: list[dict[str, Any]]) -> bool:
    return any(symptom["symptom"] in _LAMPS for symptom in symptoms)


def draw_symptoms(bay: Bay) -> list[dict[str, Any]]:
    """What was noticed, with the conditions under which it shows."""
    dice, ailment = bay.dice, bay.ailment
    symptoms: list[dict[str, Any]] = []
    for key, sign in ailment.fault.symptoms.items():
        if not dice.chance(sign.shown.at(ailment.severity)):
            continue
        when = _sensible([c for c, share in sign.when.items() if dice.chance(share)])
        symptoms.append({"symptom": key, "when": when})
    if not symptoms:
        key, sign = next(iter(ailment.fault.symptoms.items()))
        symptoms.append({"symptom": key, "when": [c for c, p in sign.when.items() if p >= 0.5]})
    return symptoms


def _sensible(when: list[str]) -> list[str]:
    """At most one temperature."""
    told = [condition for condition in when if condition in _TEMPERATURES]
    return [condition for condition in when if condition not in told[1:]]


def note_symptoms(bay: Bay, symptoms: list[dict[str, Any]]) -> list[dict[str, Any] | str]:
    """What of it is entered as such: a key alone, or with conditions."""
    dice = bay.dice
    noted: list[dict[str, Any] | str] = []
    for symptom in symptoms:
        if not dice.chance(_SYMPTOM_NOTED):
            continue
        when = [c for c in symptom["when"] if dice.chance(_CONDITION_NOTED)]
        noted.append({"symptom": symptom["symptom"], "when": when} if when else symptom["symptom"])
    return noted


def draw_findings(bay: Bay) -> list[dict[str, Any]]:
    """Checks made before the repair. Which are made depends on the shop, not only on the fault."""
    dice, fault = bay.dice, bay.ailment.fault
    findings = []
    # In a hurry fewer of all checks are made, not one here and there.
    care = bay.shop.checks * dice.between(0.5, 1.4)
    for check, habit in bay.kind.checks.items():
        if habit.fits(bay.family) and dice.chance(habit.done * care):
            reading = fault.findings.get(check, habit.normal)
            findings.append(read_check(check, reading, habit.normal, bay))
    return findings


def draw_teardown(bay: Bay) -> list[dict[str, Any]]:
    """What was seen with the unit apart."""
    return [
        {**read_check(check, reading, reading, bay), "stage": "repair"}
        for check, reading in bay.ailment.fault.teardown.items()
        if bay.dice.chance(0.7)
    ]


def read_check(check: str, reading: Reading, normal: Reading, bay: Bay) -> dict[str, Any]:
    """One finding; now and then the eye or the gauge is wrong and all looks well."""
    dice = bay.dice
    shown = normal if dice.chance(_MISREAD) else reading
    if shown.mean is not None:
        value = dice.normal(shown.mean.at(bay.ailment.severity), shown.spread)
        # Gauges are read to about two or three figures.
        step = 10.0 ** _digits(shown.spread)
        unit = bay.kind.checks[check].unit if check in bay.kind.checks else ""
        if normal.mean is None or normal.mean.light > 0.0 < shown.mean.at(bay.ailment.severity):
            value = max(0.0, value)  # no gauge of these reads below nothing
        value = round(round(value / step) * step, 4)
        number: dict[str, Any] = {"check": check, "value": value}
        return {**number, "unit": unit} if unit else number
    weights = {key: max(0.0, w.at(bay.ailment.severity)) for key, w in shown.results.items()}
    return {"check": check, "result": dice.weigh(weights)}


def _digits(spread: float) -> int:
    for digits in (2, 1, 0, -1, -2):
        if spread >= 4.0 * 10.0**digits:
            return digits
    return -3


def tell_complaint(
    bay: Bay,
    codes: list[dict[str, Any]],
    symptoms: list[dict[str, Any]],
    findings: list[dict[str, Any]],
) -> str:
    """What driver and technician say at intake, in the words of whoever types it."""
    dice, words = bay.dice, bay.voice.words
    fill = bay.fill(codes=_list_codes(codes, dice))
    told = [_tell_symptom(bay, symptom, fill) for symptom in symptoms[: 1 + int(3.2 * words)]]
    told[0] = say(dice.pick(bay.voice.opens), dice, fill) + told[0]
    if bay.ailment.fault.tells and dice.chance(0.5 * words):
        told.append(say(dice.pick(bay.ailment.fault.tells), dice, fill))
    told += _tell_around(bay, fill)
    if bay.ailment.severity < _BAD and dice.chance(0.3 * words):
        told.append(say(dice.pick(bay.world.around["confirmed"]), dice, fill))
    if codes and dice.chance(0.4):
        told.append(say(dice.pick(bay.world.around["codes"]), dice, fill))
    elif not codes and not _shows_lamp(symptoms) and dice.chance(0.12):
        told.append(say(dice.pick(bay.world.around["no_codes"]), dice, fill))
    for finding in findings:
        ways = bay.kind.seen.get(finding["check"], {}).get(finding.get("result", "value"), ())
        if ways and dice.chance(0.3 * words):
            told.append(
                say(dice.pick(ways), dice, {**fill, "value": f"{finding.get('value', 0):g}"})
            )
    return bay.voice.write([f for f in told if f], dice, bay.world.lexicon)


def _list_codes(codes: list[dict[str, Any]], dice: Dice) -> str:
    return dice.pick((", ", " ", " + ", "/")).join(code["code"][:5] for code in codes)


def _tell_symptom(bay: Bay, symptom: dict[str, Any], fill: dict[str, str]) -> str:
    dice, world = bay.dice, bay.world
    ways = bay.kind.says.get(symptom["symptom"]) or world.says[symptom["symptom"]]
    told = say(dice.pick(ways), dice, fill)
    for condition in symptom["when"][:2]:
        if dice.chance(_CONDITION_TOLD):
            ways = bay.kind.when.get(condition) or world.when[condition]
            added = say(dice.pick(ways), dice, fill)
            if not _repeats(told, condition, added):
                told += " " + added
    return told


def _repeats(told: str, condition: str, added: str) -> bool:
    """Whether the words already say when it happens ("no pull overtaking when overtaking")."""
    if condition.startswith("gear_") and any(mark.isdigit() for mark in told):
        return True
    return bool({w for w in told.split() if len(w) > 3} & {w for w in added.split() if len(w) > 3})


def _tell_around(bay: Bay, fill: dict[str, str]) -> list[str]:
    """How long, what was tried before, who drives it, how bad, what is wanted."""
    dice, around, words = bay.dice, bay.world.around, bay.voice.words
    shares = {"history": 0.42, "before": 0.24, "use": 0.2, "asks": 0.16}
    if bay.ailment.severity >= _BAD:
        shares["bad"] = 0.4
    if bay.ailment.severity < _SLIGHT:
        shares["mild"] = 0.3
    told = [
        say(dice.pick(bay.kind.around.get(theme) or around[theme]), dice, fill)
        for theme, share in shares.items()
        if dice.chance(share * words)
    ]
    if dice.chance(0.012):
        told.append(say(dice.pick(around["person"]), dice, fill))
    return told
