"""POST /search: similar cases with reasons, for whoever asks; nobody's own data in it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from api.v1 import examples
from search import adapter
from tests.clients import ApiClient, pointers_of
from tests.factories import case_data, make_case, make_shop

QUESTION = {
    "vehicle": {"year": 2017, "make": "Talvera"},
    "unit": {"kind": "ac_system"},
    "complaint": "lukewarm after twenty minutes, hissing behind the dash",
    "codes": ["P0533"],
    "symptoms": ["warm_air"],
}

VAGUE = {
    "vehicle": {"year": 2009, "make": "Corvane"},
    "unit": {"kind": "ac_system", "family": "KX-7"},
    "complaint": "no cold at the lights, hissing",
    "symptoms": ["warm_air"],
}


@pytest.fixture(autouse=True)
def own_index(settings: Any, tmp_path: Any) -> Iterator[None]:
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    yield
    adapter.server.forget()


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["search"])


def test_a_posted_case_is_found_by_the_next_search_and_known_to_its_owner(
    client: ApiClient, keys: Any, other_keys: Any
) -> None:
    posted = ApiClient(keys["contribute"]).post("/cases", case_data()).json()
    own = client.post("/search", QUESTION)
    assert own.status_code == 200
    (similar,) = own.json()["similar"]
    assert similar["own_case_id"] == posted["id"]
    assert similar["case"]["id"] != posted["id"]
    assert similar["case"]["opened_in"] == "2026-05"
    assert own.json()["index"]["cases"] == 1
    other = ApiClient(other_keys["search"]).post("/search", QUESTION)
    assert other.json()["similar"][0] == similar | {"own_case_id": None}
    for secret in (posted["id"], "70311", "2345678", "2026-05-11"):
        assert secret not in other.content.decode()


def test_the_reasons_add_up_to_the_similarity(client: ApiClient, shop: Any) -> None:
    make_case(shop)
    make_case(shop, complaint="hissing", codes=[], symptoms=["compressor_cycles_fast"])
    for similar in client.post("/search", QUESTION).json()["similar"]:
        shares = [part["share"] for part in similar["parts"]]
        assert sum(shares) == pytest.approx(similar["similarity"], abs=1e-6)


def test_why_a_case_stands_above_the_next_adds_up_and_a_tie_is_called_one(
    client: ApiClient, shop: Any
) -> None:
    make_case(shop)
    make_case(shop)
    make_case(shop, complaint="hissing", codes=[], symptoms=["compressor_cycles_fast"])
    first, second, last = client.post("/search", QUESTION).json()["similar"]
    assert first["above_next"] == {"difference": 0, "parts": []}
    gap = second["above_next"]
    assert gap["difference"] == pytest.approx(second["similarity"] - last["similarity"])
    assert sum(part["difference"] for part in gap["parts"]) == pytest.approx(
        gap["difference"], abs=2e-6
    )
    assert {
        "block": "codes",
        "difference": next(p["share"] for p in second["parts"] if p["block"] == "codes"),
    } in gap["parts"]
    assert last["above_next"] is None


def test_what_the_search_leaves_out_is_told_with_what_saying_it_would_add(
    client: ApiClient, shop: Any
) -> None:
    make_case(shop)
    (similar,) = client.post("/search", VAGUE).json()["similar"]
    missing = {(one["pointer"], one["key"]): one["gain"] for one in similar["missing"]}
    assert set(missing) == {
        ("/codes", None),
        ("/findings", "dye_inspection"),
        ("/findings", "low_side_pressure"),
        ("/vehicle/model", None),
        ("/vehicle/drive", None),
        ("/vehicle/engine", None),
    }
    assert list(missing.values()) == sorted(missing.values(), reverse=True)
    # What the teardown showed is no evidence at intake.
    assert "compressor_clutch_gap" not in str(similar["missing"])
    finding = {"check": "dye_inspection", "result": "seepage"}
    (after,) = client.post("/search", VAGUE | {"findings": [finding]}).json()["similar"]
    gain = after["similarity"] - similar["similarity"]
    assert gain == pytest.approx(missing["/findings", "dye_inspection"], abs=1e-6)


def test_what_most_similar_cases_record_is_worth_adding(client: ApiClient, shop: Any) -> None:
    for number in range(5):
        # Three of five looked for the leak, two read the pressure.
        findings = case_data()["findings"]
        make_case(shop, findings=findings[:1] if number < 3 else findings[1:])
    answer = client.post("/search", VAGUE).json()
    worth = {(one["pointer"], one["key"]): one for one in answer["worth_adding"]}
    leak = worth["/findings", "dye_inspection"]
    assert (leak["cases"], leak["of"]) == (3, 5)
    assert ("/findings", "low_side_pressure") not in worth
    most = max(
        one["gain"]
        for case in answer["similar"]
        for one in case["missing"]
        if one["key"] == "dye_inspection"
    )
    assert leak["gain"] == most
    assert client.post("/search", VAGUE | {"limit": 2}).json()["worth_adding"] == []


def warned(client: ApiClient, question: dict[str, Any]) -> list[tuple[str, str]]:
    warnings = client.post("/search", question).json()["understood"]["warnings"]
    return [(one["pointer"], one["detail"]) for one in warnings]


NO_FAULT = (
    "",
    "Nothing is said of the fault, so any fault is among these. "
    "Add the complaint, a code, a symptom or what a check showed.",
)


@pytest.mark.parametrize(
    "question, expected",
    [
        (
            {"vehicle": {"make": "Talwera", "model": "Cargo"}},
            [
                ("/vehicle/make", "No case has the make “Talwera”. Did you mean Talvera?"),
                ("/vehicle/model", "No case has the model “Cargo”. Did you mean Cargo 2?"),
            ],
        ),
        ({"vehicle": {"make": "TALVERA", "model": "cargo-2"}}, [NO_FAULT]),
        ({"vehicle": {"model": "Cargo 2"}, "complaint": "hissing"}, []),
        (
            {"vehicle": {"vin": "1M8GDM9AXKP042788"}},
            [
                (
                    "/vehicle/vin",
                    "Cases keep no VIN, so it finds none by itself. Say make and model.",
                )
            ],
        ),
        (
            {"unit": {"kind": "engine"}, "codes": ["P0533", "B1ABC-62"]},
            [
                ("/unit/kind", "No case is about this unit: Engine."),
                ("/codes/1", "No case has B1ABC or another code of its circuit."),
            ],
        ),
        (
            {"complaint": "zzgl flimmer"},
            [
                (
                    "/complaint",
                    "No case has any of these words. Say it in other words, or choose symptoms.",
                )
            ],
        ),
        (
            {"complaint": "!?"},
            [("/complaint", "No word of this can be compared. Say what it does, and when.")],
        ),
        (
            {"codes": [{"code": "P0533", "stage": "repair"}]},
            [
                (
                    "/codes/0/stage",
                    "Only what was known at intake is compared; leave stage out if this was.",
                )
            ],
        ),
        (
            {"codes": ["P0533"], "filters": {"year_min": 2024}},
            [("/filters", "Similar cases exist, but none passes the filters (year_min).")],
        ),
        (
            {"codes": ["P0533"], "filters": {"make": "Talverra"}},
            [("/filters/make", "No case has the make “Talverra”. Did you mean Talvera?")],
        ),
        (
            {"vehicle": {"odometer": {"value": 9000, "unit": "h"}}},
            [
                (
                    "/vehicle/odometer/unit",
                    "Cases are compared by distance; hours find none. Say km or mi where known.",
                )
            ],
        ),
    ],
)
def test_a_search_that_finds_little_says_why_and_what_to_enter(
    client: ApiClient, shop: Any, question: dict[str, Any], expected: list[tuple[str, str]]
) -> None:
    make_case(shop)
    assert warned(client, question) == expected


def test_an_empty_pool_is_no_fault_of_the_search(client: ApiClient) -> None:
    assert warned(client, {"vehicle": {"make": "Talwera"}}) == []


def test_a_model_year_that_the_vin_tells_is_compared_and_said(client: ApiClient, shop: Any) -> None:
    make_case(shop, vehicle=case_data()["vehicle"] | {"year": 1999})
    # Position 10 is X: 1999, as 2029 has not come.
    question = {"vehicle": {"vin": "WVWZZZ1JZXW000001"}, "complaint": "hissing"}
    answer = client.post("/search", question).json()
    assert ("/vehicle/vin", "Read from the VIN: 1999.") in warned(client, question)
    ages = [part for part in answer["similar"][0]["parts"] if part["block"] == "age"]
    assert ages == [] or ages[0]["matched"] == ["1999"]


def test_a_withdrawn_case_is_in_no_later_answer(client: ApiClient, keys: Any) -> None:
    contributor = ApiClient(keys["contribute"])
    path = contributor.post("/cases", case_data())["Location"]
    assert len(client.post("/search", QUESTION).json()["similar"]) == 1
    contributor.delete(path)
    assert client.post("/search", QUESTION).json()["similar"] == []


def test_a_pool_of_two_shops_gives_no_percentages_and_says_so(
    client: ApiClient, shop: Any, other_shop: Any
) -> None:
    make_case(shop)
    make_case(other_shop)
    answer = client.post("/search", QUESTION).json()
    assert answer["outlook"] is None
    assert "pool_too_small" in answer["caveats"]
    assert len(answer["similar"]) == 2
    assert {"refrigerant"} <= {caution["key"] for caution in answer["cautions"]}


def test_three_shops_make_an_outlook_whose_counts_add_up(client: ApiClient) -> None:
    for _ in range(4):
        shop = make_shop()
        for _ in range(3):
            make_case(shop)
    outlook = client.post("/search", QUESTION).json()["outlook"]
    assert (outlook["cases"], outlook["shops"]) == (12, 4)
    assert outlook["effective_cases"] < 12
    for level in outlook["levels"]:
        parts = ("held", "came_back", "gone", "not_known")
        assert level["tried"] == sum(level[part] for part in parts)
        if level["holds"] is not None:
            low, high = level["interval"]
            assert low <= level["holds"] <= high
    assert [entry["level"] for entry in outlook["resolved_by"]] == ["service"]


def test_the_published_example_is_accepted(client: ApiClient) -> None:
    response = client.post("/search", examples.SEARCH.value)
    assert response.status_code == 200, response.content
    assert response.json()["understood"]["codes"] == ["P0532"]


def test_one_thing_is_enough_but_nothing_is_not(client: ApiClient) -> None:
    assert client.post("/search", {"codes": ["P0533"]}).status_code == 200
    assert pointers_of(client.post("/search", {})) == [""]
    assert pointers_of(client.post("/search", {"limit": 5})) == [""]


def test_all_faults_come_at_once_with_their_places(client: ApiClient) -> None:
    bad = {
        "complaint": 7,
        "codes": ["P0533", "nope"],
        "unit": {"kind": "gearbox"},
        "limit": 101,
        "filters": {"year_min": "old", "shop": "x"},
        "horizon_days": 0,
        "owner": "me",
    }
    assert pointers_of(client.post("/search", bad)) == [
        "/codes/1",
        "/complaint",
        "/filters/shop",
        "/filters/year_min",
        "/horizon_days",
        "/limit",
        "/owner",
        "/unit/kind",
    ]


def test_the_limit_and_filters_are_kept(client: ApiClient, shop: Any, other_shop: Any) -> None:
    for _ in range(3):
        make_case(shop)
    foreign = make_case(other_shop)
    few = client.post("/search", QUESTION | {"limit": 2}).json()
    assert len(few["similar"]) == 2
    others = client.post("/search", QUESTION | {"filters": {"exclude_own_shop": True}}).json()
    assert [similar["case"]["id"] for similar in others["similar"]] == [str(foreign.shared_id)]


def test_the_number_of_queries_does_not_grow_with_the_answer(
    client: ApiClient, django_assert_max_num_queries: Any
) -> None:
    for _ in range(4):
        shop = make_shop()
        for _ in range(4):
            make_case(shop)
    client.post("/search", QUESTION)
    for limit in (1, 16):
        with django_assert_max_num_queries(36):
            assert client.post("/search", QUESTION | {"limit": limit}).status_code == 200
