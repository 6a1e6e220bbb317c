"""The outlook in the answer to a search over stored cases."""

from __future__ import annotations

import pytest

from casebook.cases.reading import read_search
from casebook.cases.services import today
from casebook.outcomes.answer import answer_search
from search.adapter import server
from tests.factories import case_data, make_case, make_shop

VIN = "1HGCR2F3XFA027534"


@pytest.fixture(autouse=True)
def forget_index():
    server.forget()
    yield
    server.forget()


@pytest.fixture
def shops(database):
    return [make_shop() for _ in range(4)]


def attempt(level, on, result="fixed"):
    return {"on": on, "level": level, "actions": [], "result": result}


def store(shop, level="service", *, result="fixed", km=None, held=True, **changes):
    seen = {"on": "2026-03-01", "state": "holding"}
    if km is not None:
        seen["odometer"] = {"value": 148_200 + km, "unit": "km"}
    return make_case(
        shop,
        opened_on="2025-01-30",
        attempts=[attempt(level, "2025-02-01", result)],
        follow_ups=[seen] if held and result == "fixed" else [],
        **changes,
    )


def ask(shop, **changes):
    data = {key: case_data()[key] for key in ("vehicle", "unit", "complaint", "codes", "symptoms")}
    data["findings"] = [{"check": "dye_inspection", "result": "seepage"}]
    document = read_search(data | changes, today=today())
    return answer_search(shop=shop, document=document)["outlook"]


def test_every_thing_entered_is_evidence_with_its_figure(shops):
    for shop in shops:
        for _ in range(3):
            store(shop)
        store(shop, "replacement", result="not_fixed", findings=[], codes=[])
    outlook = ask(shops[0])
    told = [entry["item"] for entry in outlook["evidence"]]
    assert told == [
        {"code": "P0533"},
        {"symptom": "warm_air"},
        {"symptom": "compressor_cycles_fast", "when": ["hot"]},
        {"check": "dye_inspection", "result": "seepage"},
        {"age_years": 8},
        {"odometer_km": 148_200},
    ]
    service = outlook["levels"][0]["holds"]
    for entry in outlook["evidence"]:
        assert entry["shift"] == pytest.approx(service - entry["service_holds_without"], abs=2e-4)
    assert outlook["agreement"]["verdict"] == "agree"


def test_curves_tell_days_and_distance(shops):
    for shop in shops:
        for _ in range(4):
            store(shop, km=21_000)
        store(shop, result="not_fixed")
    service = ask(shops[0])["levels"][0]
    assert [point["day"] for point in service["durability"]] == [0, 30, 90, 180, 365]
    assert all(0.75 < point["holding"] < 0.85 for point in service["durability"])
    assert [point["km"] for point in service["durability_km"]][-1] == 20_000
    assert service["km_known"] == 1.0
    assert service["followed_share"] == 1.0


def test_a_comeback_at_another_shop_shows_in_the_figures(shops):
    vehicle = case_data()["vehicle"] | {"vin": VIN}
    for shop in shops:
        for _ in range(3):
            store(shop)
    store(shops[0], vehicle=vehicle)
    before = ask(shops[0])["levels"][0]
    make_case(
        shops[1], opened_on="2025-06-01", attempts=[], follow_ups=[], findings=[], vehicle=vehicle
    )
    after = ask(shops[0])["levels"][0]
    assert (before["came_back"], after["came_back"]) == (0, 1)
    assert after["tried"] == before["tried"]
    assert after["holds"] < before["holds"]


def test_ways_of_several_steps_and_what_came_later_are_told(shops):
    for shop in shops:
        store(shop)
        make_case(
            shop,
            opened_on="2025-01-30",
            attempts=[
                attempt("service", "2025-02-01", "not_fixed"),
                attempt("component", "2025-02-09"),
            ],
            follow_ups=[
                {"on": "2025-08-01", "state": "other_fault"},
                {"on": "2026-03-01", "state": "holding"},
            ],
        )
    outlook = ask(shops[0])
    assert [path["steps"] for path in outlook["paths"]] == [["service"], ["service", "component"]]
    assert {path["cases"] for path in outlook["paths"]} == {4}
    later = outlook["later"]
    assert later["cases"] == 8
    assert 0.3 < later["other_major_fault"]["probability"] < 0.7
    assert later["gone"]["probability"] < 0.2


def test_standard_codes_alone_ask_for_the_makers_own(shops):
    for shop in shops:
        store(shop)
    assert "generic_codes_only" in ask(shops[0])["caveats"]
    maker = [{"code": "P1533"}]
    assert "generic_codes_only" not in ask(shops[0], codes=maker)["caveats"]
    assert "generic_codes_only" not in ask(shops[0], codes=[])["caveats"]
