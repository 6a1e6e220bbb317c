"""The whole answer to a comparison of plans: search, outlook, costs, plans."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from casebook.cases.constants import HORIZON_DAYS, LEVELS, UNIT_SOURCES
from casebook.outcomes.caveats import CAVEATS
from casebook.outcomes.costs import named_costs, settle_costs, stated_figure, usual_currency
from casebook.outcomes.foretelling import foretell
from casebook.outcomes.histories import Histories, read_histories
from casebook.outcomes.outlook import COVERAGE, Neighbours, estimate_level
from casebook.outcomes.plan_answers import (
    PLAN_CAVEATS,
    Setting,
    describe_plans,
    explain,
    plan_caveats,
)
from casebook.outcomes.plan_requests import PlansDocument
from casebook.outcomes.plans import (
    CHANCES,
    DAYS_A_MONTH,
    LEVEL_NAMES,
    Chance,
    Question,
    compare_plans,
)
from casebook.outcomes.queries import outlook_for
from casebook.shops.models import Shop
from casebook.stats.clustering import PRIOR_RHO
from casebook.stats.decisions import RUNGS, beta_like
from casebook.stats.durability import CAME_BACK
from casebook.stats.survivability import expected_months
from casebook.vocabulary import load_vocabulary
from search.adapter import search_cases

FloatArray = NDArray[np.float64]

NEIGHBOURS: Final = 500
# What all replacements say about one source counts as so many cases of its own.
SOURCE_PRIOR: Final = 10.0
# Common practice, no source: what must not be driven before it is judged.
UNSAFE_KINDS: Final = frozenset(
    {"brake_system", "steering_system", "suspension", "fuel_system", "hybrid_battery"}
)
HARDLY_FOLLOWED: Final = {"thin_follow_up", "not_followed_so_long"}
# Longer than any vehicle lasts.
ALL_MONTHS: Final = 600.0


def answer_plans(*, shop: Shop, document: PlansDocument, today: date) -> dict[str, Any]:
    """The body of `POST /plans`, plain values ready to render. Stores nothing."""
    search, months = document.search, document.vehicle.months_wanted
    horizon_days = months * DAYS_A_MONTH
    result = search_cases(document=search, cluster=shop.cluster, neighbours=NEIGHBOURS, explain=0)
    hits = [(hit.id, hit.similarity) for hit in result.hits]
    foretold = foretell(result, horizon_days=horizon_days)
    answer = outlook_for(hits, horizon_days=horizon_days, document=search, foretold=foretold)
    outlook, a_year = answer.document, set[str]()
    if outlook is not None and horizon_days > HORIZON_DAYS:
        foretold = foretell(result, horizon_days=HORIZON_DAYS)
        shorter = outlook_for(
            hits, horizon_days=HORIZON_DAYS, document=search, foretold=foretold
        ).document
        outlook, a_year = prefer_followed(outlook, shorter)
    histories = read_histories(hits, kind=search.unit.kind, findings=False)
    currency = document.currency or usual_currency(histories.attempts)
    replacement_days = HORIZON_DAYS if "replacement" in a_year else horizon_days
    question = _ask(document, outlook, histories, currency, replacement_days)
    comparison = compare_plans(question)
    usable, life = _vehicle_life(document, today)
    setting = Setting(currency, months, usable, _hazards(histories))
    caveats = [*answer.caveats, *plan_caveats(question, comparison), *life.pop("caveats")]
    if histories.kind in UNSAFE_KINDS:
        caveats.append("unsafe_to_leave")
    if any(
        chance.origin == "outlook" and name.partition(".")[0] in a_year
        for name, chance in question.chances.items()
    ):
        caveats.append("followed_for_a_year")
    body = describe_plans(question, comparison, setting)
    if outlook is not None:
        caveats += outlook["caveats"]
    sentences = CAVEATS | PLAN_CAVEATS
    said = {*caveats, *(key for plan in body["plans"] for key in plan["caveats"])}
    return body | {
        "vehicle": {"months_wanted": months, **life, "later": _later(outlook)},
        "based_on": None
        if outlook is None
        else {key: outlook[key] for key in ("cases", "shops", "effective_cases")},
        "caveats": [key for key in sentences if key in set(caveats)],
        "explanations": explain(said, sentences),
        "cautions": _caution_texts({key for plan in body["plans"] for key in plan["cautions"]}),
        "warnings": search.warnings,
        "index": {"cases": result.cases, "as_of": result.as_of},
    }


def prefer_followed(
    outlook: Mapping[str, Any], shorter: Mapping[str, Any] | None
) -> tuple[dict[str, Any], set[str]]:
    """The outlook with the figures of a shorter one for levels that were hardly followed as far.

    Follow-ups are owed for a year. Beyond that hardly anybody is heard of but those whose repair
    came back, and a figure would count their failures against next to no one. Returns which
    levels are the shorter one's, too.
    """
    levels, taken = [], set()
    earlier = {row["level"]: row for row in (shorter or {"levels": ()})["levels"]}
    for row in outlook["levels"]:
        hardly = row["holds"] is None or HARDLY_FOLLOWED & set(row["caveats"])
        if hardly and row["level"] in earlier and earlier[row["level"]]["holds"] is not None:
            row = earlier[row["level"]]
            taken.add(row["level"])
        levels.append(row)
    # What was said of the figures that are not taken is said no more.
    of_levels = {key for row in outlook["levels"] for key in row["caveats"]}
    still = {key for row in levels if row["tried"] for key in row["caveats"]}
    caveats = [key for key in outlook["caveats"] if key not in of_levels or key in still]
    return {**outlook, "levels": levels, "caveats": caveats}, taken


def _ask(
    document: PlansDocument,
    outlook: Mapping[str, Any] | None,
    histories: Histories,
    currency: str | None,
    horizon_days: float,
) -> Question:
    costs = settle_costs(named_costs(document.costs), histories.attempts, currency)
    for name in ("value_working", "value_not_working"):
        amount = getattr(document.vehicle, name)
        if amount is not None:
            costs[name] = stated_figure(amount)
    known = _outlook_chances(outlook, histories, horizon_days) | _stated_chances(document)
    failing_days = mean_failing_days(histories.cases, horizon_days)
    return Question(
        costs=costs,
        # In a fixed order, and of replacements only those that have a price.
        chances={
            name: known[name]
            for name in CHANCES
            if name in known and (name in LEVEL_NAMES or name in costs)
        },
        took=np.zeros(RUNGS + 1) if outlook is None else resolution_counts(outlook),
        failing_days=failing_days[:RUNGS],
        replacement_days=float(failing_days[RUNGS]),
        discount_rate=document.discount_rate,
        coverage=COVERAGE,
    )


def resolution_counts(outlook: Mapping[str, Any]) -> FloatArray:
    """Effective number of similar cases that in the end took a service at most, a component, an
    overhaul, a replacement, (4,)."""
    scale = outlook["effective_cases"] / max(outlook["cases"], 1)
    counts = np.zeros(RUNGS + 1)
    for row in outlook["resolved_by"]:
        place = max(LEVELS.index(row["level"]) - 1, 0)
        counts[place] += row["share"] * row["of"] * scale
    return counts


def _later(outlook: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """What else may end the vehicle's use within the months wanted."""
    later = (outlook or {}).get("later")
    if not later:
        return None
    return {
        name: {key: later[name][key] for key in ("probability", "interval")}
        for name in ("other_major_fault", "gone")
        if later.get(name) is not None
    }


def _stated_chances(document: PlansDocument) -> dict[str, Chance]:
    stated = document.probabilities
    values = {name: getattr(stated, name) for name in LEVEL_NAMES}
    values |= {
        f"replacement.{source}": getattr(stated.replacement, source) for source in UNIT_SOURCES
    }
    return {
        name: Chance(value, value, value, "given")
        for name, value in values.items()
        if value is not None
    }


def _outlook_chances(
    outlook: Mapping[str, Any] | None, histories: Histories, horizon_days: float
) -> dict[str, Chance]:
    known = {}
    for row in outlook["levels"] if outlook else ():
        if row["holds"] is None:
            continue
        low, high = row["interval"]
        chance = Chance(row["holds"], low, high, "outlook", row["tried"])
        if row["level"] != "replacement":
            known[row["level"]] = chance
            continue
        for source in UNIT_SOURCES:
            which = np.array([name == source for name in histories.source], np.bool_)
            own = histories.cases.take(which)
            known[f"replacement.{source}"] = source_chance(chance, own, horizon_days)
    return known


def source_chance(every: Chance, own: Neighbours, horizon_days: float) -> Chance:
    """How often replacements from one source hold: what all of them tell, counted as at most
    SOURCE_PRIOR cases, and its own cases."""
    a, b = beta_like([every.mean], [every.low], [every.high], coverage=COVERAGE)[:, 0]
    scale = min(1.0, SOURCE_PRIOR / (a + b))
    told = estimate_level(own, rho=PRIOR_RHO, horizon_days=horizon_days)
    a, b = a * scale + told.held, b * scale + told.trials - told.held
    tail = (1 - COVERAGE) / 2
    low, high = betaincinv(a, b, [tail, 1 - tail]).clip(1e-6, 1 - 1e-6)
    mean = float(np.clip(a / (a + b), low, high))
    return Chance(mean, float(low), float(high), "outlook", len(own))


def mean_failing_days(cases: Neighbours, horizon_days: float) -> FloatArray:
    """When repairs that came back by the horizon did so, on average, per level from the service on,
    (4,); 0 where none did, as if it showed at delivery."""
    back = (cases.event == CAME_BACK) & (cases.event_days <= horizon_days)
    level = np.where(back & (cases.first_level > 0), cases.first_level, 0)
    weight = np.bincount(level, cases.similarity, len(LEVELS))[1:]
    days = np.bincount(level, cases.similarity * cases.event_days, len(LEVELS))[1:]
    return np.divide(days, weight, out=np.zeros(len(weight)), where=weight > 0)


def _vehicle_life(
    document: PlansDocument, today: date
) -> tuple[Callable[[float], float], dict[str, Any]]:
    """Of so many months, how many the vehicle is still on the road; and what that stands on."""
    vehicle, year = document.vehicle, document.search.vehicle.year
    if vehicle.months_left is not None:
        left = float(vehicle.months_left)
        return lambda months: min(months, left), {
            "life_from": "given", "months_left": left, "caveats": [],
        }  # fmt: skip
    if year is None:
        return lambda months: months, {
            "life_from": None, "months_left": None, "caveats": ["age_not_known"],
        }  # fmt: skip
    age = float(max(0, today.year - year))
    body = vehicle.body
    return lambda months: float(expected_months(age, months, body)), {
        "life_from": "schedule",
        "months_left": round(float(expected_months(age, ALL_MONTHS, body)), 1),
        "caveats": ["old_schedule"],
    }


def _hazards(histories: Histories) -> dict[str, list[str]]:
    """Cautions of the work at each level: of what similar cases had done, else of all such work."""
    vocabulary = load_vocabulary()
    hazards = {}
    for level in LEVELS:
        done = [
            vocabulary.actions[a]
            for a in sorted(histories.actions[level])
            if a in vocabulary.actions
        ]
        if not done and histories.kind is not None:
            done = vocabulary.actions_for(histories.kind, level)
        keys = {key for action in done for key in action.cautions}
        hazards[level] = [key for key in vocabulary.cautions if key in keys]
    return hazards


def _caution_texts(keys: set[str]) -> list[dict[str, str]]:
    return explain(keys, {c.key: c.text for c in load_vocabulary().cautions.values()})
