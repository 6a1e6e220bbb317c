"""How long outlook, next checks and plans of one search take, without the database.

    python -m tests.benchmarks.outcomes_speed [--neighbours 500] [--items 15] [--kind 20000]

500 similar cases, 15 things entered, a pool of one unit kind; one core. Prints milliseconds: the
median and the 95th percentile over different searches, part by part and together.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from casebook.cases.constants import LEVELS
from casebook.outcomes.check_tables import CheckedCases, learn_tables
from casebook.outcomes.checks import Stakes, belief_of, likely_states, next_checks
from casebook.outcomes.circumstances import Circumstances
from casebook.outcomes.cohorts import (
    CaseIdentity,
    KindCases,
    TriedCases,
    cohorts_around,
    level_rho,
    siblings_of,
)
from casebook.outcomes.complete import Question, complete_outlook
from casebook.outcomes.costs import stated_figure
from casebook.outcomes.evidence import Weighed
from casebook.outcomes.later import Lives, describe_later
from casebook.outcomes.outlook import Neighbours, compute_outlook
from casebook.outcomes.panel import Readings, panel_for
from casebook.outcomes.plan_answers import Setting, describe_plans
from casebook.outcomes.plans import CHANCES, Chance, compare_plans
from casebook.outcomes.plans import Question as PlanQuestion
from casebook.stats.survivability import expected_months

SAMPLE_OF_KIND = 4_000  # as casebook.outcomes.histories reads; that needs Django
PATHS = (("service",), ("component",), ("service", "component"), ("service", "replacement"))


def draw_cases(random, count):
    level = random.integers(1, len(LEVELS), count)
    event = random.choice([0, 1, 2], count, p=[0.6, 0.3, 0.1])
    days = np.where(event == 1, random.choice([0, 20, 90, 200, 400], count), 0)
    days = np.where(event != 1, random.choice([0, 30, 180, 370, 700], count), days)
    days = np.maximum(days + random.integers(-5, 20, count), 0).astype(float)
    return level, event, days, random.integers(0, 60, count)


def draw_search(random, neighbours, items):
    level, event, days, cluster = draw_cases(random, neighbours)
    similarity = np.sort(random.uniform(0.4, 0.8, neighbours))[::-1]
    resolved = np.where(random.random(neighbours) < 0.7, level, -1)
    cases = Neighbours(similarity, cluster, level, event, days, resolved)
    details = Circumstances(
        severity=np.where(
            random.random(neighbours) < 0.6, random.integers(0, 5, neighbours) / 4, np.nan
        ),
        event_km=np.where(random.random(neighbours) < 0.8, days * 50, np.nan),
        years_ago=random.uniform(0, 8, neighbours),
        path=random.integers(0, len(PATHS), neighbours),
        paths=PATHS,
    )
    met = random.uniform(0, 0.1, (items, neighbours)) * (random.random((items, neighbours)) < 0.5)
    groups = tuple(("codes", "symptoms", "findings")[i % 3] for i in range(items))
    weighed = Weighed(tuple({"code": str(i)} for i in range(items)), groups, similarity - met, met)
    return cases, details, weighed


def draw_kind(random, count):
    level, event, days, cluster = draw_cases(random, count)
    cases = TriedCases(level, event, days, cluster)
    columns = KindCases(
        cases=cases,
        ids=random.integers(-(2**62), 2**62, count),
        family=random.integers(0, 30, count),
        model=random.integers(0, 80, count),
        families={f"F{i}": i for i in range(30)},
        models={("m", str(i)): i for i in range(80)},
        faults={f"P{i}": np.flatnonzero(random.random(count) < 0.05) for i in range(40)},
    )
    lives = Lives(
        age_years=random.integers(0, 20, count).astype(float),
        odometer_km=random.uniform(10_000, 300_000, count),
        fault_days=np.where(random.random(count) < 0.15, days, np.nan),
        gone_days=np.where(event == 2, days, np.nan),
        watched_days=days,
        cluster=cluster,
    )
    return columns, lives


def measure(run, searches):
    run(*searches[0])
    took = []
    for search in searches:
        start = time.process_time()
        run(*search)
        took.append(1000 * (time.process_time() - start))
    return np.median(took), np.quantile(took, 0.95)


def draw_checked(random, panel, count):
    """Cases of the kind with findings of about one check in eight."""
    level, event, days, cluster = draw_cases(random, count)
    resolved = np.where(random.random(count) < 0.7, level, -1)
    weights = random.uniform(0.4, 0.8, count)
    case, check = np.nonzero(random.random((count, len(panel.checks))) < 1 / 8)
    options = np.array([max(len(c.results), len(c.bins)) for c in panel.checks])
    place = check * panel.width + random.integers(0, options[check])
    cases = Neighbours(weights, cluster, level, event, days, resolved)
    return cases, Readings(case, place)


def as_checked(cases, readings):
    states = likely_states(cases, horizon_days=365)
    return CheckedCases(cases.similarity, cases.cluster, states, readings)


def check_next(panel, similar, of_kind):
    similar, of_kind = as_checked(*similar), of_kind.take(np.ones(len(of_kind.weights), bool))
    belief = belief_of(similar, of_kind)
    stakes = Stakes(np.array([150.0, 600.0, 1_500.0]), 200.0, 2_000.0, np.inf, 60.0)
    return next_checks(panel, learn_tables(panel, similar, of_kind), belief, done=(), stakes=stakes)


def plan_question(random):
    amounts = {
        "service": 240, "component": 620, "overhaul": 1_500, "replacement.used": 1_900,
        "replacement.remanufactured": 3_200, "replacement.new": 4_100, "diagnosis": 90,
        "comeback": 120, "value_working": 4_500, "value_not_working": 600,
    }  # fmt: skip
    holds = dict(zip(CHANCES, random.uniform(0.2, 0.9, len(CHANCES)), strict=True))
    return PlanQuestion(
        costs={name: stated_figure(amount) for name, amount in amounts.items()},
        chances={name: Chance(p, p - 0.1, p + 0.08, "outlook", 30) for name, p in holds.items()},
        took=np.array([20.0, 15.0, 3.0, 6.0]),
        failing_days=np.array([60.0, 90.0, 120.0]),
        replacement_days=100.0,
        discount_rate=0.05,
        coverage=0.9,
    )


def compare(question):
    setting = Setting("EUR", 24, lambda months: float(expected_months(8.0, months, "car")), {})
    return describe_plans(question, compare_plans(question), setting)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--neighbours", type=int, default=500)
    parser.add_argument("--items", type=int, default=15)
    parser.add_argument("--kind", type=int, default=20_000)
    parser.add_argument("--searches", type=int, default=40)
    options = parser.parse_args()
    random = np.random.default_rng(1)
    columns, lives = draw_kind(random, options.kind)
    rho = level_rho(columns.cases, 365)
    others = siblings_of(columns.cases, columns.family % 19, rho=rho, horizon_days=365)
    identity = CaseIdentity("k", "F3", ("m", "5"), frozenset({"P7"}))

    def around(*_):
        return cohorts_around(
            identity, columns, others, pool_shops=60, without_ids=columns.ids[:500],
            horizon_days=365,
        )  # fmt: skip

    cohorts = around()
    searches = [
        draw_search(random, options.neighbours, options.items) for _ in range(options.searches)
    ]
    question = Question(365, age_years=8.0, odometer_km=140_000.0)
    later = {"age_years": 8.0, "odometer_km": 140_000.0, "horizon_days": 365, "coverage": 0.9}
    parts = {
        "cohorts around": around,
        "figures alone": lambda cases, *_: compute_outlook(cases, cohorts, horizon_days=365),
        "later": lambda *_: describe_later(lives, **later),
        "all but evidence and later": lambda cases, details, _: complete_outlook(
            cases, details, cohorts, question
        ),
        "all but later": lambda cases, details, weighed: complete_outlook(
            cases, details, cohorts, question, weighed=weighed
        ),
        "everything": lambda cases, details, weighed: complete_outlook(
            cases, details, cohorts, question, weighed=weighed, lives=lives
        ),
    }
    print(f"{'part':30} {'median ms':>10} {'95 % ms':>10}")
    for name, run in parts.items():
        _print(name, *measure(run, searches))
    panel = panel_for("automatic_transmission")
    # Read once a minute.
    kind = as_checked(*draw_checked(random, panel, SAMPLE_OF_KIND))
    checked = [(panel, draw_checked(random, panel, options.neighbours), kind) for _ in searches]
    _print("next checks", *measure(check_next, checked))
    _print("plans", *measure(compare, [(plan_question(random),) for _ in searches]))


def _print(name: str, median: float, high: float) -> None:
    print(f"{name:30} {median:10.2f} {high:10.2f}")


if __name__ == "__main__":
    main()
