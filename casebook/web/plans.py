"""A comparison of plans as the page shows it: words, money and the geometry of its gauges. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from casebook.cases.constants import LEVEL_RANK
from casebook.outcomes.plan_answers import CLEAR
from casebook.web.figures import LABELS
from casebook.web.ladder import THIN, Gauge
from casebook.web.turning import part_flips, say_flip, say_steady
from casebook.web.words import (
    LEVEL_NAMES,
    join_cautions,
    name_caution,
    say_count,
    say_list,
    say_money,
    say_out_of_ten,
    say_percent,
    say_range,
    say_weight,
    uncapital,
)

_RANKS = {
    "service_first": LEVEL_RANK["service"],
    "component_first": LEVEL_RANK["component"],
    "overhaul_now": LEVEL_RANK["overhaul"],
    "replace_now": LEVEL_RANK["replacement"],
    "leave_it": 0,
}
# Where the sentence for programs names fields of theirs.
_CAVEATS = {
    "pool_too_small": (
        "Fewer than three shops have shared cases so far: too few for chances. Say your own under "
        "“Your own chances”, and the ways can be compared all the same."
    ),
    "no_cost": "No price is known: give one below.",
    "chance_not_known": (
        "Neither similar cases nor related units tell how often this holds. Say your own under "
        "“Your own chances”."
    ),
    "no_way_on": (
        "If this fails there is no way on with a known price: give that of another unit, or what "
        "the vehicle is worth working and not working."
    ),
    "worth_not_known": "Say what the vehicle is worth working and not working.",
    "costs_from_cases": (
        "Prices from cases are the middle of what shops noted for similar work, not a quote."
    ),
    "old_schedule": (
        "How long the vehicle lasts comes from a published schedule of 1977 to 2002; vehicles last "
        "longer today. Say how many months it will last if you know better."
    ),
    "age_not_known": (
        "The vehicle’s age is not known, so it is taken to last as long as it is wanted."
    ),
    "comeback_costs_nothing": (
        "No price of a diagnosis or a comeback is given, so failing looks cheaper than it is."
    ),
}
# Nobody is that sure: nothing is known, and a comparison has to take something.
_CERTAIN = 0.9999


@dataclass(frozen=True)
class Step:
    name: str
    cost: str
    said: str


@dataclass(frozen=True)
class Plan:
    """gauge: place of the cost between nothing and the dearest."""

    name: str
    rank: int
    cost: str
    range: str
    gauge: Gauge | None
    cheapest: str
    spread: str
    use: str
    steps: Sequence[Step]
    notes: Sequence[str]
    hazards: Sequence[str]


@dataclass(frozen=True)
class Used:
    """One figure that went in. origin: who said it, and of how many."""

    name: str
    figure: str
    origin: str


@dataclass(frozen=True)
class Comparison:
    """unsafe: what must be said first where leaving or driving it may hurt somebody."""

    verdict: str
    unsafe: str
    weight: str
    plans: Sequence[Plan]
    not_compared: Sequence[tuple[str, str]]
    scale: str
    break_even: str
    break_even_now: str
    flips: Sequence[str]
    far_flips: Sequence[str]
    steady: str
    caveats: Sequence[str]
    hazards: Sequence[str]
    cautions: Sequence[str]
    caution_end: str
    costs: Sequence[Used]
    chances: Sequence[Used]
    life: Sequence[str]
    warnings: Sequence[str]
    blanks: Mapping[str, str]


def present_comparison(answer: Mapping[str, Any]) -> Comparison:
    currency, months = answer["currency"], answer["vehicle"]["months_wanted"]
    sentences = {item["key"]: item["text"] for item in answer["explanations"]} | _CAVEATS
    costed = [plan for plan in answer["plans"] if plan["expected_cost"] is not None]
    most = max((float(plan["interval"][1]) for plan in costed), default=0.0)
    plans = [_present(plan, most, currency, months, sentences) for plan in costed]
    based_on = answer["based_on"] or {"cases": 0, "shops": None, "effective_cases": None}
    sensitivity = answer["sensitivity"]
    caveats = [key for key in answer["caveats"] if key in sentences]
    near, far = part_flips(sensitivity)
    cautions, caution_end = join_cautions([item["text"] for item in answer["cautions"]])
    return Comparison(
        verdict=_say_verdict(
            costed, len(answer["plans"]) - len(costed), tried=_tried_first(costed, answer)
        ),
        unsafe=sentences.get("unsafe_to_leave", "") if "unsafe_to_leave" in caveats else "",
        weight=say_weight(
            cases=based_on["cases"],
            shops=based_on["shops"],
            effective=based_on["effective_cases"],
        ),
        plans=plans,
        not_compared=_list_missing(answer["plans"], sentences),
        scale=f"0 to {say_money(most, currency, whole=True)}" if most > 0 else "",
        break_even=answer["break_even"]["sentence"],
        break_even_now=_say_now(answer),
        flips=[say_flip(item, currency) for item in near],
        far_flips=[say_flip(item, currency) for item in far],
        steady=say_steady(near, sensitivity),
        caveats=[sentences[key] for key in caveats if key != "unsafe_to_leave"],
        hazards=[name_caution(item["key"]) for item in answer["cautions"]],
        cautions=cautions,
        caution_end=caution_end,
        costs=[_used_cost(item, currency) for item in answer["costs"]],
        chances=[_used_chance(item) for item in answer["probabilities"]],
        life=_say_life(answer["vehicle"]),
        warnings=[warning["detail"] for warning in answer["warnings"]],
        blanks={
            item["input"]: f"{say_money(item['amount'], currency)}, {_say_origin(item)}"
            for item in answer["costs"]
            if item["origin"] == "similar_cases"
        },
    )


def _say_verdict(costed: Sequence[Mapping[str, Any]], missing: int, *, tried: int | None) -> str:
    """missing: how many ways have no cost, and may be cheaper for all one knows. tried: cases that
    tell how the cheapest way's first step holds; None where it does not hang on cases."""
    if not costed:
        return "Nothing can be compared yet."
    best = costed[0]
    label = uncapital(best["label"])
    if len(costed) == 1:
        return f"Only one way has a cost so far: {label}."
    among = f"Of these {len(costed)}, " if missing else ""
    if tried is not None and tried < THIN:
        few = f"only {say_count(tried, 'case')} {'tells' if tried == 1 else 'tell'}"
        said = (
            f"{label} looks cheapest, but {few if tried else 'no similar case tells'} how it holds."
        )
    elif best["probability_cheapest"] < CLEAR:
        said = f"{label} costs least, by no clear lead over {uncapital(costed[1]['label'])}."
    elif best["probability_cheapest"] < 0.9:
        said = f"{label} most likely costs least."
    else:
        said = f"{label} almost surely costs least."
    return among + said if among else said[0].upper() + said[1:]


def _tried_first(costed: Sequence[Mapping[str, Any]], answer: Mapping[str, Any]) -> int | None:
    """Cases behind the chance that the first step of the cheapest way holds."""
    if not costed:
        return None
    step = costed[0]["steps"][0]
    name = ".".join(filter(None, ("probabilities", step["step"], step["unit_source"])))
    chance = next((item for item in answer["probabilities"] if item["input"] == name), None)
    if chance is None or chance["origin"] == "given":
        return None
    return int(chance["tried"])


def _present(
    plan: Mapping[str, Any],
    most: float,
    currency: str | None,
    months: int,
    sentences: Mapping[str, str],
) -> Plan:
    low, high = plan["interval"]
    return Plan(
        name=plan["label"],
        rank=_RANKS[plan["plan"]],
        cost=say_money(plan["expected_cost"], currency, whole=True),
        range=_say_money_range(float(low), float(high), currency)
        or ("a fixed sum" if plan["if_it_holds"] == plan["expected_cost"] else "at your chances"),
        gauge=_gauge(plan, most),
        cheapest=_say_cheapest(plan["probability_cheapest"]),
        spread=_say_spread(plan, currency),
        use=_say_use(plan, currency, months),
        steps=[_step(step, place, currency) for place, step in enumerate(plan["steps"])],
        notes=[sentences[key] for key in plan["caveats"] if key in sentences],
        hazards=[name_caution(key) for key in plan["cautions"]],
    )


def _say_money_range(low: float, high: float, currency: str | None) -> str:
    """Empty where nothing is uncertain: no chance plays a part, or all of them were given."""
    if round(low) == round(high):
        return ""
    return f"likely {say_money(low, None, whole=True)} to {say_money(high, currency, whole=True)}"


def _list_missing(
    plans: Sequence[Mapping[str, Any]], sentences: Mapping[str, str]
) -> list[tuple[str, str]]:
    """Ways without a cost, with what would give them one; those that want the same together."""
    by_reason: dict[str, list[str]] = {}
    for plan in plans:
        if plan["expected_cost"] is None:
            why = " ".join(sentences[key] for key in plan["caveats"] if key in sentences)
            name = plan["label"] if why not in by_reason else uncapital(plan["label"])
            by_reason.setdefault(why, []).append(name)
    return [(say_list(names), why) for why, names in by_reason.items()]


def _gauge(plan: Mapping[str, Any], most: float) -> Gauge | None:
    if most <= 0:
        return None
    low, dot, high = (
        min(100.0, max(0.0, 100 * float(amount) / most))
        for amount in (plan["interval"][0], plan["expected_cost"], plan["interval"][1])
    )
    return Gauge(f"{low:.1f}%", f"{max(high - low, 1.0):.1f}%", f"{dot:.1f}%", hollow=False)


def _say_cheapest(chance: float) -> str:
    return f"Chance to be the cheapest: {say_out_of_ten(chance)}."


def _say_spread(plan: Mapping[str, Any], currency: str | None) -> str:
    if len(plan["steps"]) < 2 or plan["at_worst"] is None:
        return ""
    best = say_money(plan["if_it_holds"], currency, whole=True)
    return f"{best} if it holds, {say_money(plan['at_worst'], currency, whole=True)} at worst."


def _say_use(plan: Mapping[str, Any], currency: str | None, months: int) -> str:
    if plan["cost_per_month"] is None:
        return "Buys no use of the vehicle."
    each = say_money(plan["cost_per_month"], currency, whole=float(plan["cost_per_month"]) >= 20)
    return f"About {plan['months_of_use']:.0f} of {months} months of use, {each} a month."


def _step(step: Mapping[str, Any], place: int, currency: str | None) -> Step:
    name = "Leave it" if step["step"] == "leave_it" else LEVEL_NAMES[step["step"]]
    if step["unit_source"]:
        name = f"Another unit, {step['unit_source']}"
    said = []
    if place:
        said.append(f"comes to it in {say_percent(step['probability'])}")
        if step["after_months"] >= 1:
            said.append(f"after {say_count(round(step['after_months']), 'month')} on average")
    if step["holds"] is not None and step["holds"] > _CERTAIN:
        said.append("taken to hold")
    elif step["holds"] is not None:
        said.append(f"then holds in {say_percent(step['holds'])}" if place else
                    f"holds in {say_percent(step['holds'])}")  # fmt: skip
    return Step(name, say_money(step["cost"], currency), ", ".join(said))


def _say_now(answer: Mapping[str, Any]) -> str:
    """The chance that the break-even is held against, with where it comes from."""
    chance = next(
        (item for item in answer["probabilities"] if item["input"] == "probabilities.service"), None
    )
    if chance is None or answer["break_even"]["against"] is None:
        return ""
    used = _used_chance(chance)
    return f"As it looks, it would hold in {used.figure} ({used.origin})."


def _used_cost(item: Mapping[str, Any], currency: str | None) -> Used:
    name = LABELS.get(item["input"], item["input"])
    return Used(name, say_money(item["amount"], currency), _say_origin(item))


def _say_origin(item: Mapping[str, Any]) -> str:
    if item["origin"] == "given":
        return "yours"
    return f"middle of {say_count(item['attempts'], 'case')}"


def _used_chance(item: Mapping[str, Any]) -> Used:
    level = item["input"].partition(".")[2]
    name = LABELS.get(f"probabilities.{level.partition('.')[0]}", level)
    if "." in level:
        name = f"{level.partition('.')[2].capitalize()} unit holds"
    if item["origin"] == "given":
        return Used(name, say_percent(item["holds"]), "yours")
    likely = f"likely {say_range(*item['interval'])}"
    return Used(name, say_percent(item["holds"]), f"{likely}, {say_count(item['tried'], 'case')}")


def _say_life(vehicle: Mapping[str, Any]) -> list[str]:
    said = []
    if vehicle["months_left"] is not None:
        source = "as you said" if vehicle["life_from"] == "given" else "by its age"
        said.append(f"It will last about {vehicle['months_left']:.0f} months ({source}).")
    later = vehicle["later"] or {}
    told = [
        f"{words} {say_percent(later[name]['probability'])} ({say_range(*later[name]['interval'])})"
        for name, words in (
            ("other_major_fault", "another major fault in"),
            ("gone", "sold or scrapped"),
        )
        if later.get(name) and later[name]["probability"] is not None
    ]
    if told:
        said.append(
            f"Within {vehicle['months_wanted']} months, of vehicles near it in age and mileage: "
            f"{say_list(told)}."
        )
    return said
