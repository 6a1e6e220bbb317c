"""POST /plans: what each plan costs on average, for whoever may search."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from api.v1 import examples
from casebook.cases.services import today
from search import adapter
from tests.clients import ApiClient, pointers_of, problem_of
from tests.factories import make_case, make_shop

SEARCH = {
    "vehicle": {"year": 2018, "make": "Talvera"},
    "unit": {"kind": "ac_system"},
    "complaint": "lukewarm after twenty minutes, hissing behind the dash",
    "codes": ["P0533"],
    "symptoms": ["warm_air"],
}
ASKED: dict[str, Any] = {
    "search": SEARCH,
    "costs": {
        "service": "240.00",
        "component": "620.00",
        "overhaul": None,
        "replacement": {"used": "1900.00", "remanufactured": "3200.00", "new": None},
        "diagnosis": "90.00",
        "comeback": "120.00",
    },
    "currency": "EUR",
    "vehicle": {"value_working": "4500.00", "value_not_working": "600.00", "months_wanted": 24},
}


def asked(**changes: Any) -> dict[str, Any]:
    return copy.deepcopy(ASKED) | changes


@pytest.fixture(autouse=True)
def own_index(settings: Any, tmp_path: Any) -> Iterator[None]:
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    yield
    adapter.server.forget()


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["search"])


def attempt(level: str, days_ago: int, result: str = "fixed", **more: Any) -> dict[str, Any]:
    day = today() - timedelta(days=days_ago)
    return {
        "on": f"{day}", "level": level, "actions": [], "parts_cost": "100.00",
        "labour_hours": 1.0, "labour_cost": "100.00", "currency": "EUR", "result": result,
    } | more  # fmt: skip


def make_pool(shops: int = 4) -> None:
    """Per shop: two services that held for three years, one that a component cured, one that
    a used unit cured."""
    opened = f"{today() - timedelta(days=1200)}"
    held = [{"on": f"{today() - timedelta(days=20)}", "state": "holding"}]
    for _ in range(shops):
        shop = make_shop()
        for attempts in (
            [attempt("service", 1190)],
            [attempt("service", 1190)],
            [attempt("service", 1190), attempt("component", 1100, parts_cost="300.00")],
            [
                attempt("service", 1190, "not_fixed"),
                attempt("replacement", 1180, parts_cost="900.00", unit_source="used"),
            ],
        ):
            make_case(shop, opened_on=opened, attempts=attempts, follow_ups=held)


def plan(answer: dict[str, Any], name: str, source: str | None = None) -> dict[str, Any]:
    found: dict[str, Any] = next(
        p for p in answer["plans"] if p["plan"] == name and p["unit_source"] == source
    )
    return found


def test_plans_are_compared_by_what_they_cost_on_average(client: ApiClient) -> None:
    make_pool()
    response = client.post("/plans", asked())
    assert response.status_code == 200, response.content
    answer = response.json()
    costs = [Decimal(p["expected_cost"]) for p in answer["plans"] if p["expected_cost"]]
    assert costs == sorted(costs)
    service = plan(answer, "service_first")
    assert Decimal("240") < Decimal(service["expected_cost"]) < Decimal("1900")
    low, high = map(Decimal, service["interval"])
    assert low <= Decimal(service["expected_cost"]) <= high
    assert service["if_it_holds"] == "240.00"
    assert service["steps"][0]["step"] == "service"
    assert service["steps"][1]["probability"] == pytest.approx(
        1 - service["steps"][0]["holds"], abs=1e-3
    )
    assert plan(answer, "leave_it")["expected_cost"] == "3900.00"
    assert plan(answer, "leave_it")["months_of_use"] == 0
    assert 0 < service["months_of_use"] <= 24
    assert sum(p["probability_cheapest"] or 0 for p in answer["plans"]) == pytest.approx(
        1, abs=0.01
    )
    assert answer["based_on"]["cases"] == 16


def test_the_break_even_can_be_worked_out_by_hand(client: ApiClient) -> None:
    # Nothing but a service and a used unit that is sure to hold: (240 + 210) / (210 + 1900).
    only = asked(
        costs={
            "service": "240.00", "replacement": {"used": "1900.00"},
            "diagnosis": "90.00", "comeback": "120.00",
        },
        probabilities={"service": 0.5, "replacement": 1.0},
        vehicle={},
    )  # fmt: skip
    answer = client.post("/plans", only).json()
    even = answer["break_even"]
    assert even["service_holds_at_least"] == pytest.approx(450 / 2110, abs=1e-4)
    assert (even["against"]["plan"], even["against"]["unit_source"]) == ("replace_now", "used")
    assert "at least 22 for 24 months" in even["sentence"]
    assert plan(answer, "service_first")["expected_cost"] == "1295.00"
    assert plan(answer, "service_first")["at_worst"] == "2350.00"
    # No pool is needed for stated chances; that there is none is said.
    assert "pool_too_small" in answer["caveats"]
    assert answer["based_on"] is None
    flip = next(s for s in answer["sensitivity"] if s["input"] == "probabilities.service")
    assert float(flip["flips_at"]) == pytest.approx(450 / 2110, abs=2e-3)
    assert flip["flips_to"]["plan"] == "replace_now"


@pytest.mark.parametrize(
    "service, words", [("10.00", "whatever its chance"), ("5000.00", "certain to hold")]
)
def test_a_break_even_that_no_chance_reaches_is_null_with_a_sentence(
    client: ApiClient, service: str, words: str
) -> None:
    # Leaving it costs 300; failing after a cheap service costs hardly more than that.
    answer = client.post(
        "/plans",
        asked(
            costs={"service": service},
            probabilities={"service": 0.5},
            vehicle={"value_working": "900.00", "value_not_working": "600.00"},
        ),
    ).json()
    even = answer["break_even"]
    if service == "10.00":
        assert even["service_holds_at_least"] == pytest.approx(10 / 300, abs=1e-4)
    else:
        assert even["service_holds_at_least"] is None
        assert words in even["sentence"]


def test_missing_costs_come_from_the_similar_cases_and_are_marked(client: ApiClient) -> None:
    make_pool()
    answer = client.post("/plans", {"search": SEARCH}).json()
    assert answer["currency"] == "EUR"
    used = {cost["input"]: cost for cost in answer["costs"]}
    assert used["costs.service"] == {
        "input": "costs.service", "amount": "200.00", "origin": "similar_cases", "attempts": 16,
    }  # fmt: skip
    assert used["costs.component"]["amount"] == "400.00"
    assert used["costs.replacement.used"]["amount"] == "1000.00"
    assert "costs.overhaul" not in used
    assert "costs_from_cases" in answer["caveats"]
    assert plan(answer, "overhaul_now")["expected_cost"] is None
    assert plan(answer, "overhaul_now")["caveats"] == ["no_cost"]
    assert plan(answer, "leave_it")["caveats"] == ["worth_not_known"]
    sentences = {item["key"]: item["text"] for item in answer["explanations"]}
    assert {"no_cost", "costs_from_cases", "worth_not_known"} <= sentences.keys()
    other = client.post("/plans", {"search": SEARCH, "currency": "GBP"}).json()
    assert other["costs"] == []


def test_stated_chances_take_the_place_of_the_outlooks(client: ApiClient) -> None:
    make_pool()
    answer = client.post("/plans", asked(probabilities={"service": 0.9})).json()
    used = {chance["input"]: chance for chance in answer["probabilities"]}
    assert (used["probabilities.service"]["holds"], used["probabilities.service"]["origin"]) == (
        0.9,
        "given",
    )
    assert plan(answer, "service_first")["steps"][0]["holds"] == 0.9


def test_a_vehicle_near_its_end_gives_fewer_months_for_the_money(client: ApiClient) -> None:
    make_pool()
    vehicle = ASKED["vehicle"] | {"months_left": 6}
    short = plan(client.post("/plans", asked(vehicle=vehicle)).json(), "replace_now", "used")
    by_age = client.post("/plans", asked()).json()
    assert short["months_of_use"] == 6
    assert by_age["vehicle"]["life_from"] == "schedule"
    assert "old_schedule" in by_age["caveats"]
    assert Decimal(short["cost_per_month"]) > Decimal(
        plan(by_age, "replace_now", "used")["cost_per_month"]
    )


def test_what_can_hurt_is_said(client: ApiClient) -> None:
    answer = client.post("/plans", asked(probabilities={"service": 0.5})).json()
    assert "refrigerant" in plan(answer, "service_first")["cautions"]
    assert "refrigerant" in {caution["key"] for caution in answer["cautions"]}
    brakes = asked(search={"unit": {"kind": "brake_system"}, "complaint": "pedal sinks"})
    assert "unsafe_to_leave" in client.post("/plans", brakes).json()["caveats"]


def test_all_faults_come_at_once_with_their_places(client: ApiClient) -> None:
    bad = {
        "search": {"codes": ["nope"], "colour": "red"},
        "costs": {"service": 240.5, "replacement": {"rebuilt": "1.00"}, "tow": "5.00"},
        "vehicle": {"value_working": "100.00", "value_not_working": "200.00", "months_wanted": 0},
        "probabilities": {"service": 1.2, "replacement": True},
        "discount_rate": -1,
        "shop": "x",
    }
    assert pointers_of(client.post("/plans", bad)) == [
        "/costs/replacement/rebuilt",
        "/costs/service",
        "/costs/tow",
        "/currency",
        "/discount_rate",
        "/probabilities/replacement",
        "/probabilities/service",
        "/search/codes/0",
        "/search/colour",
        "/shop",
        "/vehicle/months_wanted",
        "/vehicle/value_not_working",
    ]
    assert pointers_of(client.post("/plans", {"search": {}})) == ["/search"]
    assert pointers_of(client.post("/plans", {})) == ["/search"]
    assert pointers_of(client.post("/plans", [])) == [""]


def test_only_who_may_search_may_compare(keys: Any) -> None:
    problem_of(ApiClient(keys["contribute"]).post("/plans", ASKED), 403, "not_allowed")
    problem_of(ApiClient().post("/plans", ASKED), 401, "not_authenticated")


def test_the_published_example_is_accepted(client: ApiClient) -> None:
    response = client.post("/plans", examples.PLANS.value)
    assert response.status_code == 200, response.content


def test_the_number_of_queries_does_not_grow_with_the_pool(
    client: ApiClient, django_assert_max_num_queries: Any
) -> None:
    make_pool(2)
    client.post("/plans", ASKED)
    make_pool(3)
    with django_assert_max_num_queries(30):
        assert client.post("/plans", ASKED).status_code == 200
