"""A comparison of plans as it is answered: money as text, and what must be said beside it. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, Final

import numpy as np

from casebook.cases.constants import UNIT_SOURCES
from casebook.outcomes.plan_sensitivity import NO_PLAN, Sensitivity, vary_inputs
from casebook.outcomes.plans import (
    DAYS_A_MONTH,
    LEVEL_NAMES,
    PLAN_NAMES,
    Comparison,
    Question,
    Step,
    cost_range,
    months_of_use,
    service_break_even,
    steps_of,
)
from casebook.stats.decisions import LEAVE, PLANS, REPLACE

CENT: Final = Decimal("0.01")
# Below this chance of being the cheapest the first plan is hardly better than the next.
CLEAR: Final = 0.7
_LABELS: Final = {
    "service_first": "Service first",
    "component_first": "Component repair first",
    "overhaul_now": "Overhaul now",
    "leave_it": "Leave it",
}

# Order of importance; keys are stable.
PLAN_CAVEATS: Final[dict[str, str]] = {
    "pool_too_small": (
        "Fewer than three shops have shared cases so far: too few for chances. Give your own under "
        "probabilities, and plans can be compared all the same."
    ),
    "unsafe_to_leave": (
        "A fault here can make the vehicle unsafe: it stays where it is until somebody who may "
        "judge that has done so, whatever is cheapest."
    ),
    "no_cost": "No cost is known for this plan: give one, or say the currency of the cases'.",
    "chance_not_known": (
        "Neither similar cases nor related units tell how often this holds, so it has no expected "
        "cost. Give a chance of your own under probabilities."
    ),
    "no_way_on": (
        "If this fails there is no way on with a known cost: give the cost of a replacement, or "
        "what the vehicle is worth working and not working."
    ),
    "worth_not_known": (
        "Leaving it can be compared once the vehicle's worth working and not working is given."
    ),
    "followed_for_a_year": (
        "Too few similar cases were followed for the months wanted, so chances are those for a "
        "year: what held that long is taken to go on holding."
    ),
    "nearly_even": (
        "The cheapest plans lie close together: a small change in costs or chances turns the order."
    ),
    "replacement_taken_to_hold": (
        "Nobody knows yet how often such replacements come back; they are taken to hold."
    ),
    "comeback_costs_nothing": (
        "No cost of a diagnosis or comeback is given, so failing looks cheaper than it is."
    ),
    "costs_from_cases": (
        "Costs marked similar_cases are the middle of what similar cases noted, not a quote."
    ),
    "way_on_from_cases": (
        "What helps after a failure is judged by what similar cases took in the end; shops chose "
        "that by what they saw, not by lot."
    ),
    "old_schedule": (
        "How long the vehicle lasts comes from a schedule of 1977 to 2002; vehicles last longer "
        "today. Give months_left if you know better."
    ),
    "age_not_known": (
        "The vehicle's age is not known, so months of use take it to last; give the year or "
        "months_left."
    ),
}


@dataclass(frozen=True)
class Setting:
    """What else the answer needs. currency: None where nobody said one. months: wanted. usable:
    of so many months, how many the vehicle is still on the road. cautions: keys by level."""

    currency: str | None
    months: int
    usable: Callable[[float], float]
    cautions: Mapping[str, Sequence[str]]


def describe_plans(question: Question, comparison: Comparison, setting: Setting) -> dict[str, Any]:
    """plans (cheapest first), break_even, sensitivity, and the inputs they stand on."""
    available = [int(plan) for plan in np.flatnonzero(np.isfinite(comparison.cost))]
    missing = [plan for plan in range(PLANS) if plan not in available]
    # One row says that no replacement can be costed, unless one can.
    replacements = range(REPLACE, LEAVE)
    if any(plan in available for plan in replacements):
        missing = [plan for plan in missing if plan not in replacements]
    else:
        missing = [plan for plan in missing if plan not in replacements[1:]]
    available.sort(key=lambda plan: (comparison.cost[plan], plan))
    rows = [_available(plan, question, comparison, setting) for plan in available]
    rows += [_missing(plan, question, comparison) for plan in missing]
    return {
        "plans": rows,
        "currency": setting.currency,
        "break_even": _break_even(question, comparison, setting),
        "sensitivity": [_sensitivity(item) for item in vary_inputs(question, comparison)],
        "costs": _costs(question),
        "probabilities": _chances(question),
    }


def plan_caveats(question: Question, comparison: Comparison) -> list[str]:
    """Of the whole comparison; those of single plans stand with them."""
    found = []
    if not {"diagnosis", "comeback"} & question.costs.keys():
        found.append("comeback_costs_nothing")
    if any(figure.origin == "similar_cases" for figure in question.costs.values()):
        found.append("costs_from_cases")
    ways_on = [
        step.what
        for plan in range(REPLACE)
        if np.isfinite(comparison.cost[plan])
        for step in steps_of(question, comparison, plan)[1:]
    ]
    if any(what < REPLACE for what in ways_on):
        found.append("way_on_from_cases")
    if comparison.best is not None and comparison.cheapest[comparison.best] < CLEAR:
        found.append("nearly_even")
    return found


def explain(keys: Iterable[str], sentences: Mapping[str, str]) -> list[dict[str, str]]:
    found = set(keys)
    return [{"key": key, "text": text} for key, text in sentences.items() if key in found]


def money(amount: float) -> str:
    return str(Decimal(repr(float(amount))).quantize(CENT, ROUND_HALF_UP))


def plan_label(plan: int) -> str:
    if REPLACE <= plan < LEAVE:
        source = UNIT_SOURCES[plan - REPLACE]
        return f"Replace now, {source} unit"
    return _LABELS[PLAN_NAMES[plan]]


def _name(plan: int) -> dict[str, Any]:
    source = UNIT_SOURCES[plan - REPLACE] if REPLACE <= plan < LEAVE else None
    return {"plan": PLAN_NAMES[plan], "unit_source": source, "label": plan_label(plan)}


def _available(
    plan: int, question: Question, comparison: Comparison, setting: Setting
) -> dict[str, Any]:
    steps = steps_of(question, comparison, plan)
    best, worst = cost_range(comparison, steps)
    months = months_of_use(steps, setting.usable, setting.months)
    cost = float(comparison.cost[plan])
    caveats = []
    if any(_is_taken_to_hold(step, question) for step in steps):
        caveats.append("replacement_taken_to_hold")
    return _name(plan) | {
        "expected_cost": money(cost),
        "interval": [money(comparison.low[plan]), money(comparison.high[plan])],
        "probability_cheapest": round(float(comparison.cheapest[plan]), 3),
        "if_it_holds": money(best),
        "at_worst": money(worst) if np.isfinite(worst) else None,
        "months_of_use": round(months, 1),
        "cost_per_month": money(cost / months) if months >= 0.05 else None,
        "steps": [_step(step) for step in steps],
        "caveats": caveats,
        "cautions": _cautions(steps, setting),
    }


def _missing(plan: int, question: Question, comparison: Comparison) -> dict[str, Any]:
    nothing = (
        "expected_cost", "interval", "probability_cheapest", "if_it_holds", "at_worst",
        "months_of_use", "cost_per_month",
    )  # fmt: skip
    if plan == LEAVE:
        caveat = "worth_not_known"
    elif plan >= REPLACE or not np.isfinite(comparison.ladder.cost[plan]):
        caveat = "no_cost"
    elif np.isnan(comparison.ladder.holds[plan]):
        caveat = "chance_not_known"
    else:
        caveat = "no_way_on"
    name = _name(plan)
    if REPLACE <= plan < LEAVE:
        name |= {"unit_source": None, "label": "Replace now"}
    return name | dict.fromkeys(nothing) | {"steps": [], "caveats": [caveat], "cautions": []}


def _is_taken_to_hold(step: Step, question: Question) -> bool:
    if not REPLACE <= step.what < LEAVE:
        return False
    return f"replacement.{UNIT_SOURCES[step.what - REPLACE]}" not in question.chances


def _step(step: Step) -> dict[str, Any]:
    source = UNIT_SOURCES[step.what - REPLACE] if REPLACE <= step.what < LEAVE else None
    return {
        "step": _level(step.what) or "leave_it",
        "unit_source": source,
        "probability": round(step.reached, 4),
        "cost": money(step.cost),
        "holds": None if step.holds is None else round(step.holds, 4),
        "after_months": round(step.day / DAYS_A_MONTH, 1),
    }


def _level(what: int) -> str | None:
    if what == LEAVE:
        return None
    return "replacement" if what >= REPLACE else LEVEL_NAMES[what]


def _cautions(steps: Sequence[Step], setting: Setting) -> list[str]:
    """Hazards of the work that the plan may come to."""
    levels = [_level(step.what) for step in steps]
    found = [key for level in levels if level for key in setting.cautions.get(level, ())]
    return list(dict.fromkeys(found))


def _break_even(question: Question, comparison: Comparison, setting: Setting) -> dict[str, Any]:
    even = service_break_even(comparison)
    now = question.chances.get("service")
    inside = 0 <= even.chance <= 1
    return {
        "service_holds_at_least": round(even.chance, 4) if inside else None,
        "against": None if even.other is None else _name(even.other),
        "service_holds": None if now is None else round(now.mean, 4),
        "sentence": _break_even_sentence(even.chance, even.other, setting.months),
    }


def _break_even_sentence(chance: float, other: int | None, months: int) -> str:
    if other is None:
        return (
            "There is no break-even yet: it needs the cost of a service, of another plan, and of "
            "what follows a failure."
        )
    against = plan_label(other)
    against = against[0].lower() + against[1:]
    if np.isnan(chance):
        return f"Failing costs nothing here, so no chance to hold decides against: {against}."
    if chance < 0:
        return f"A service first costs less, whatever its chance to hold, than this: {against}."
    if chance > 1:
        return f"Even a service that is certain to hold costs more than this: {against}."
    return (
        f"A service first pays if, of 100 vehicles like this one, it would hold on at least "
        f"{int(np.ceil(round(100 * chance, 6)))} for {months} months; otherwise this costs less: "
        f"{against}."
    )


def _sensitivity(item: Sensitivity) -> dict[str, Any]:
    show = money if item.name.startswith("costs.") else _chance_text
    name = _input_name(item.name)
    return {
        "input": name,
        "value": show(item.value),
        "low": {"value": show(item.low), **_best(item.best_at_low, item.cost_at_low)},
        "high": {"value": show(item.high), **_best(item.best_at_high, item.cost_at_high)},
        "flips_at": None if item.flips_at is None else show(item.flips_at),
        "flips_to": None if item.flips_to is None else _name(item.flips_to),
    }


def _input_name(name: str) -> str:
    """As in the request."""
    worth = ("costs.value_working", "costs.value_not_working")
    return name.replace("costs.", "vehicle.") if name in worth else name


def _chance_text(value: float) -> str:
    return f"{value:.3f}"


def _best(plan: int, cost: float) -> dict[str, Any]:
    if plan == NO_PLAN:
        return {"cheapest": None, "expected_cost": None}
    return {"cheapest": _name(plan), "expected_cost": money(cost)}


def _costs(question: Question) -> list[dict[str, Any]]:
    return [
        {
            "input": _input_name(f"costs.{name}"),
            "amount": money(figure.amount),
            "origin": figure.origin,
            "attempts": figure.attempts,
        }
        for name, figure in question.costs.items()
    ]


def _chances(question: Question) -> list[dict[str, Any]]:
    return [
        {
            "input": f"probabilities.{name}",
            "holds": round(chance.mean, 4),
            "interval": None
            if chance.origin == "given"
            else [round(chance.low, 4), round(chance.high, 4)],
            "origin": chance.origin,
            "tried": chance.tried,
        }
        for name, chance in question.chances.items()
    ]
