"""POST /search: which check to make next, from cases in which it was made."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from casebook.cases.services import today
from casebook.vocabulary import load_vocabulary
from search import adapter
from tests.clients import ApiClient
from tests.factories import make_case, make_shop

QUESTION: dict[str, Any] = {
    "vehicle": {"year": 2017, "make": "Talvera"},
    "unit": {"kind": "ac_system"},
    "complaint": "lukewarm after twenty minutes, hissing behind the dash",
    "codes": ["P0533"],
    "symptoms": ["warm_air"],
}
COSTS = {
    "costs": {
        "service": "120.00",
        "component": "700.00",
        "replacement": {"used": "1400.00"},
        "comeback": "150.00",
    },
    "labour_rate": "60.00",
    "currency": "EUR",
}
CHECK = "dye_inspection"


@pytest.fixture(autouse=True)
def own_index(settings: Any, tmp_path: Any) -> Iterator[None]:
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    yield
    adapter.server.forget()


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["search"])


def make_pool(shops: int = 5) -> None:
    """In each shop: whoever saw nothing with the dye got by with a service, whoever saw seepage
    needed a component. The clutch gap, looked at as often, tells nothing."""
    opened = today() - timedelta(days=800)
    seen = [{"on": f"{today() - timedelta(days=20)}", "state": "holding"}]
    for _ in range(shops):
        shop = make_shop()
        for number in range(8):
            needs_part = number % 2 == 0
            attempt = {
                "on": f"{opened}", "level": "component" if needs_part else "service",
                "actions": [], "result": "fixed", "parts_cost": "50.00", "labour_cost": "90.00",
                "labour_hours": 1.5, "currency": "EUR",
            }  # fmt: skip
            findings = [
                {"check": CHECK, "result": "seepage" if needs_part else "normal"},
                {"check": "condenser_airflow", "result": ["normal", "dirty"][number // 2 % 2]},
            ]
            make_case(
                shop, opened_on=f"{opened}", findings=findings, attempts=[attempt], follow_ups=seen
            )


def test_the_check_that_told_the_cases_apart_is_suggested(client: ApiClient) -> None:
    make_pool()
    answer = client.post("/search", QUESTION)
    assert answer.status_code == 200, answer.content
    (check,) = answer.json()["next_checks"]
    assert check["check"] == CHECK
    assert check["minutes"] == load_vocabulary().checks[CHECK].minutes
    assert check["cases"] == 40
    assert check["net_value"] is None
    assert check["expected_gain_bits"] > 0.2
    results = {result["result"]: result for result in check["results"]}
    assert results.keys() == {"normal", "seepage"}
    assert results["normal"]["service_holds"] > results["seepage"]["service_holds"] + 0.3
    assert results["seepage"]["probability"] == pytest.approx(0.5, abs=0.05)
    assert check["service_holds_now"] == pytest.approx(0.5, abs=0.05)
    assert sum(r["probability"] for r in results.values()) == pytest.approx(1, abs=1e-3)
    cautions = {caution["key"] for caution in answer.json()["cautions"]}
    assert set(check["cautions"]) <= cautions


def test_with_costs_it_says_what_the_check_saves_and_what_to_do_after_it(
    client: ApiClient,
) -> None:
    make_pool()
    (check,) = client.post("/search", QUESTION | COSTS).json()["next_checks"]
    assert float(check["net_value"]) != 0
    assert check["changes_decision"] is True
    then = {result["result"]: result["then"] for result in check["results"]}
    assert then["normal"] == "service_first"
    assert then["seepage"] == "component_first"
    # An hour that costs nothing: the time is all that differs.
    free = client.post("/search", QUESTION | COSTS | {"labour_rate": "0.00"}).json()
    saved = float(free["next_checks"][0]["net_value"]) - float(check["net_value"])
    assert saved == pytest.approx(check["minutes"], abs=0.02)  # at one euro a minute


def test_a_check_already_made_is_not_suggested_again(client: ApiClient) -> None:
    make_pool()
    done = QUESTION | {"findings": [{"check": CHECK, "result": "seepage"}]}
    answer = client.post("/search", done).json()
    assert [check["check"] for check in answer["next_checks"]] == []
    assert [note["key"] for note in answer["next_check_notes"]] == ["no_check_tells_more"]


def test_where_nothing_can_be_said_a_sentence_says_why(client: ApiClient, shop: Any) -> None:
    make_case(shop)
    answer = client.post("/search", QUESTION).json()
    assert answer["next_checks"] == []
    (note,) = answer["next_check_notes"]
    assert note["key"] == "pool_too_small"
    assert note["text"].endswith(".")


def test_the_labour_rate_is_the_cases_own_where_it_is_not_given(client: ApiClient) -> None:
    make_pool()
    stated = {key: value for key, value in COSTS.items() if key != "labour_rate"}
    # 90 for an hour and a half, as all of them noted: what was stated above.
    own = client.post("/search", QUESTION | stated).json()["next_checks"]
    assert own == client.post("/search", QUESTION | COSTS).json()["next_checks"]
    foreign = client.post("/search", QUESTION | stated | {"currency": "GBP"}).json()
    assert foreign["next_checks"][0]["net_value"] is None
    assert [note["key"] for note in foreign["next_check_notes"]] == ["labour_rate_needed"]


def test_without_the_cost_of_a_replacement_they_rank_by_what_they_tell(client: ApiClient) -> None:
    make_pool()
    answer = client.post("/search", QUESTION | COSTS | {"costs": {"service": "120.00"}}).json()
    assert answer["next_checks"][0]["net_value"] is None
    assert [note["key"] for note in answer["next_check_notes"]] == ["replacement_cost_needed"]
