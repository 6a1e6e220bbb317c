"""How a comparison of plans reads: what is clear, what is not, and what would turn it."""

from __future__ import annotations

from typing import Any

import pytest

from casebook.outcomes.plan_answers import PLAN_CAVEATS
from casebook.web.plans import present_comparison

SERVICE = {"plan": "service_first", "unit_source": None, "label": "Service first"}
REPLACE = {"plan": "replace_now", "unit_source": "used", "label": "Replace now, used unit"}
NOTHING = dict.fromkeys(
    (
        "expected_cost",
        "interval",
        "probability_cheapest",
        "if_it_holds",
        "at_worst",
        "months_of_use",
        "cost_per_month",
    )
)


def plan(name: dict[str, Any], cost: float, chance: float, **changes: Any) -> dict[str, Any]:
    step = {
        "step": "service",
        "unit_source": None,
        "probability": 1.0,
        "cost": "140.00",
        "holds": 0.6,
        "after_months": 0.0,
    }
    return {
        **name,
        "expected_cost": f"{cost:.2f}",
        "interval": [f"{cost * 0.8:.2f}", f"{cost * 1.3:.2f}"],
        "probability_cheapest": chance,
        "if_it_holds": "140.00",
        "at_worst": "2400.00",
        "months_of_use": 19.5,
        "cost_per_month": f"{cost / 19.5:.2f}",
        "steps": [step],
        "caveats": [],
        "cautions": ["refrigerant"],
    } | changes


def turning(name: str, value: str, flips_at: str | None, low: str, high: str) -> dict[str, Any]:
    at = {"cheapest": SERVICE, "expected_cost": "1.00"}
    return {
        "input": name,
        "value": value,
        "low": {"value": low, **at},
        "high": {"value": high, **at},
        "flips_at": flips_at,
        "flips_to": None if flips_at is None else REPLACE,
    }


def answer(*plans: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return {
        "plans": list(plans),
        "currency": "EUR",
        "break_even": {
            "service_holds_at_least": 0.4,
            "against": REPLACE,
            "service_holds": 0.6,
            "sentence": "A service first pays if …",
        },
        "sensitivity": [],
        "costs": [],
        "probabilities": [
            {
                "input": "probabilities.service",
                "holds": 0.6,
                "interval": [0.5, 0.7],
                "origin": "outlook",
                "tried": 48,
            }
        ],
        "vehicle": {"months_wanted": 24, "life_from": None, "months_left": None, "later": None},
        "based_on": {"cases": 120, "shops": 12, "effective_cases": 60.0},
        "caveats": [],
        "explanations": [],
        "cautions": [],
        "warnings": [],
    } | changes


def plain(text: str) -> str:
    return text.replace("\u00a0", " ").replace("\u2060", "")


@pytest.mark.parametrize(
    "chance, said",
    [
        (0.95, "Service first almost surely costs least."),
        (0.8, "Service first most likely costs least."),
        (0.55, "Service first costs least, by no clear lead over replace now, used unit."),
    ],
)
def test_the_verdict_is_as_sure_as_the_chance_behind_it(chance: float, said: str) -> None:
    shown = present_comparison(answer(plan(SERVICE, 500, chance), plan(REPLACE, 900, 1 - chance)))
    assert shown.verdict == said


def test_a_way_without_a_cost_may_be_cheaper_and_the_verdict_says_so() -> None:
    missing = {**SERVICE, **NOTHING, "steps": [], "caveats": ["no_way_on"], "cautions": []}
    other = missing | {"plan": "overhaul_now", "label": "Overhaul now"}
    shown = present_comparison(answer(plan(REPLACE, 900, 0.9), plan(REPLACE, 950, 0.1), missing))
    assert shown.verdict.startswith("Of these 2, ")
    both = present_comparison(answer(missing, other))
    assert both.verdict == "Nothing can be compared yet."
    assert [names for names, _ in both.not_compared] == ["Service first and overhaul now"]
    assert "probabilities" not in both.not_compared[0][1]


def test_a_cost_has_its_span_and_one_without_chance_says_that() -> None:
    sure = {"interval": ["900.00", "900.00"], "if_it_holds": "900.00"}
    fixed = plan(REPLACE, 900, 0.1, **sure)
    service, replace = present_comparison(answer(plan(SERVICE, 500, 0.9), fixed)).plans
    assert (plain(service.cost), plain(service.range)) == ("500 EUR", "likely 400 to 650 EUR")
    assert plain(service.use) == "About 20 of 24 months of use, 26 EUR a month."
    assert service.hazards == ["Refrigerant"]
    assert replace.range == "a fixed sum"
    given = plan(REPLACE, 900, 0.1, **sure | {"if_it_holds": "700.00"})
    assert present_comparison(answer(given)).plans[0].range == "at your chances"


def test_what_is_likely_to_turn_the_choice_comes_first_nearest_first() -> None:
    shown = present_comparison(
        answer(
            plan(SERVICE, 500, 0.9),
            sensitivity=[
                turning("costs.overhaul", "1600.00", "400.00", "1200.00", "2000.00"),
                turning("costs.service", "140.00", "170.00", "105.00", "175.00"),
                turning("probabilities.component", "0.661", "0.658", "0.560", "0.770"),
                turning("vehicle.value_working", "4500.00", None, "3375.00", "5625.00"),
            ],
        )
    )
    assert [plain(flip) for flip in shown.flips] == [
        "Component repair holds in a little fewer than 66 of 100 (taken: 66 of 100): then the "
        "cheapest is: replace now, used unit.",
        "The service costs more than 170 EUR (taken: 140 EUR): then the cheapest is: replace now, "
        "used unit.",
    ]
    assert len(shown.far_flips) == 1
    assert shown.steady == ""


def test_where_nothing_likely_turns_the_choice_it_says_so() -> None:
    far = turning("costs.service", "140.00", "900.00", "105.00", "175.00")
    shown = present_comparison(answer(plan(SERVICE, 500, 0.9), sensitivity=[far]))
    assert shown.flips == []
    assert shown.steady.startswith("No single figure")


def test_the_break_even_is_held_against_the_chance_with_its_span_and_count() -> None:
    shown = present_comparison(answer(plan(SERVICE, 500, 0.9)))
    assert (
        plain(shown.break_even_now)
        == "As it looks, it would hold in 60 % (likely 50–70 %, 48 cases)."
    )


def test_every_sentence_for_programs_has_one_for_the_page() -> None:
    """No name of a field of the API may reach a reader."""
    keys = list(PLAN_CAVEATS)
    told = [{"key": key, "text": text} for key, text in PLAN_CAVEATS.items()]
    comparison = present_comparison(
        answer(plan(SERVICE, 500, 0.9), caveats=keys, explanations=told)
    )
    # What may hurt somebody stands above everything else.
    assert comparison.unsafe == PLAN_CAVEATS["unsafe_to_leave"]
    shown = comparison.caveats
    assert len(shown) == len(keys) - 1
    for sentence in shown:
        assert "_" not in sentence, sentence
        assert "probabilities" not in sentence, sentence


@pytest.mark.parametrize(
    "tried, said",
    [
        (6, "Service first looks cheapest, but only 6 cases tell how it holds."),
        (0, "Service first looks cheapest, but no similar case tells how it holds."),
    ],
)
def test_a_choice_that_hangs_on_a_handful_of_cases_is_never_called_sure(
    tried: int, said: str
) -> None:
    data = answer(plan(SERVICE, 500, 0.95), plan(REPLACE, 900, 0.05))
    data["probabilities"][0]["tried"] = tried
    assert present_comparison(data).verdict == said
    data["probabilities"][0]["origin"] = "given"
    assert present_comparison(data).verdict == "Service first almost surely costs least."
