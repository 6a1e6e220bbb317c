"""How an answer reads: what is said, and above all what is not."""

from __future__ import annotations

import re
from typing import Any

import pytest

from casebook.web.answer import present_answer, say_asked

CASE: dict[str, Any] = {
    "id": "6b1f3c1e-3f0a-4a3f-9d0b-0a52f7a8d111",
    "opened_in": "2025-11",
    "vehicle": {
        "year": 2018,
        "make": "Talvera",
        "model": "Cargo 2",
        "odometer_band_km": [140000, 150000],
    },
    "unit": {"kind": "ac_system", "family": "HV-3"},
    "complaint": "Lukewarm",
    "codes": [],
    "symptoms": [],
    "findings": [],
    "attempts": [{"in": "2025-11", "level": "service", "actions": [], "result": "fixed"}],
    "cause": {},
    "outcome": {"resolved_by": "service", "held_days": 200, "state": "holding"},
}


def similar(own: str | None = None) -> dict[str, Any]:
    parts = [
        {"block": "codes", "share": 0.314, "matched": ["P0533"]},
        {"block": "symptoms", "share": 0.2, "matched": ["warm_air", "warm_air (hot)"]},
        {"block": "odometer", "share": 0.02, "matched": ["148000 km"]},
        {"block": "not_recorded", "share": 0.05, "matched": []},
    ]
    return {"case": CASE, "own_case_id": own, "similarity": 0.584, "parts": parts}


def level(**changes: Any) -> dict[str, Any]:
    return {
        "level": "service",
        "tried": 60,
        "held": 31,
        "came_back": 20,
        "gone": 2,
        "not_known": 7,
        "holds": 0.58,
        "interval": [0.45, 0.70],
        "coverage": 0.9,
        "prior_share": 0.12,
    } | changes


def answer(**changes: Any) -> dict[str, Any]:
    outlook = {
        "cases": 143,
        "shops": 22,
        "effective_cases": 61.2,
        "levels": [level()],
        "resolved_by": [{"level": "service", "share": 0.41, "interval": [0.33, 0.50]}],
        "caveats": [],
    }
    return {
        "understood": {"codes": [], "unknown_terms": [], "warnings": []},
        "similar": [similar()],
        "outlook": outlook,
        "caveats": [],
        "cautions": [],
        "index": {"cases": 6000, "as_of": "2026-03-02T10:11:12Z"},
    } | changes


def all_text(value: Any) -> str:
    return repr(value)


def test_the_ladder_has_every_level_so_that_an_empty_one_is_news_too() -> None:
    shown = present_answer(answer(), document={})
    assert [rung.name for rung in shown.ladder] == [
        "Service",
        "Component",
        "Overhaul",
        "Replacement",
    ]
    assert shown.ladder[0].gauge is not None
    assert shown.ladder[0].gauge.dot == "41.0%"
    assert shown.ladder[1].gauge is None


def test_whether_service_held_is_said_in_tenths_with_its_span() -> None:
    shown = present_answer(answer(), document={})
    assert shown.service is not None
    assert shown.service.verdict == "About 6 in 10 held a year."
    assert shown.service.range.replace("\u00a0", " ").replace("\u2060", "") == "45–70 %"


def test_few_cases_get_a_hollow_dot_and_no_rate_in_words() -> None:
    data = answer()
    data["outlook"] |= {
        "effective_cases": 4.2,
        "levels": [level(tried=5, held=2, came_back=1, gone=0, not_known=2)],
    }
    shown = present_answer(data, document={})
    assert shown.service is not None
    assert shown.service.gauge is not None
    assert shown.service.gauge.hollow
    assert "in 10" not in shown.service.verdict
    assert shown.service.verdict == "2 seen to hold, 1 came back: little to go on."


def test_a_level_without_a_number_says_so_and_draws_none() -> None:
    data = answer()
    data["outlook"]["levels"] = [level(holds=None, interval=None, prior_share=None)]
    shown = present_answer(data, document={})
    assert shown.service is not None
    assert shown.service.gauge is None
    assert shown.service.verdict.startswith("Not enough follow-up")


def test_what_is_about_one_level_is_said_at_that_level() -> None:
    data = answer()
    data["outlook"] |= {
        "levels": [level(caveats=["few_cases", "thin_follow_up"])],
        "caveats": ["few_cases", "thin_follow_up", "observational"],
    }
    shown = present_answer(data, document={})
    assert shown.service is not None
    assert len(shown.service.notes) == 2
    assert len(shown.caveats) == 1
    data["outlook"]["effective_cases"] = 4.0
    assert len(present_answer(data, document={}).caveats) == 2


def test_a_pool_of_too_few_shops_shows_no_percentage_anywhere() -> None:
    shown = present_answer(
        answer(outlook=None, caveats=["pool_too_small"], similar=[similar("0190-own")]),
        document={},
    )
    assert not shown.has_numbers
    assert shown.ladder == ()
    assert shown.service is None
    assert not re.search(r"\d\s*%", all_text(shown))
    assert shown.own
    assert any("three shops" in caveat for caveat in shown.caveats)


def test_one_mark_stands_for_one_repair_and_the_shapes_are_counted_right() -> None:
    shown = present_answer(answer(), document={})
    assert shown.service is not None
    assert shown.service.strip is not None
    kinds = [mark.kind for mark in shown.service.strip.marks]
    assert {kind: kinds.count(kind) for kind in dict.fromkeys(kinds)} == {
        "held": 31,
        "back": 20,
        "gone": 2,
        "dark": 7,
    }


def test_reasons_are_in_plain_words_and_their_points_add_up() -> None:
    case = present_answer(answer(), document={}).similar[0]
    assert case.points == 58
    assert sum(reason.points for reason in case.reasons) == 58
    said = {reason.name: reason.terms.replace("\u00a0", " ") for reason in case.reasons}
    assert said["Codes"] == "P0533"
    assert said["Symptoms"].endswith("(hot)")
    assert "_" not in said["Symptoms"]
    assert said["Distance run"] == "near 148 000 km"
    assert "Not recorded in that case" in said


@pytest.mark.parametrize(
    "block, matched, said",
    [
        ("age", ["2019"], "about as old as yours (2019)"),
        ("findings", ["low_side_pressure: 16 psi"], "Low-side pressure, running: near 16 psi"),
        ("odometer", ["81000 mi"], "near 81 000 mi"),
        ("codes", ["P0533"], "P0533"),
        ("codes", ["P0533-62", "P0533"], "P0533-62"),
        ("codes", ["P0532"], "same circuit as P0532"),
        ("text", ["tranny"], "tranny"),
        (
            "likely_cure",
            ["component:replace_condenser+recharge_refrigerant", "overhaul", "replacement"],
            "replaced the condenser + recovered, evacuated and recharged refrigerant, or overhaul",
        ),
        ("likely_cure", ["component:replace_condenser+…"], "replaced the condenser and more"),
        ("likely_cure", [], "several in part"),
    ],
)
def test_a_reason_is_told_in_the_words_of_whoever_asked(
    block: str, matched: list[str], said: str
) -> None:
    item = similar() | {"parts": [{"block": block, "share": 0.5, "matched": matched}]}
    item["case"] = CASE | {"codes": [{"code": "P0533", "status": "stored", "stage": "intake"}]}
    case = present_answer(answer(similar=[item | {"similarity": 0.5}]), document={}).similar[0]
    assert case.reasons[0].terms.replace("\u00a0", " ") == said


def with_shares(similarity: float, own: str | None = None, **shares: float) -> dict[str, Any]:
    parts = [{"block": block, "share": share, "matched": []} for block, share in shares.items()]
    return similar(own) | {"similarity": similarity, "parts": parts}


def test_why_a_case_stands_above_the_next_is_said_in_the_points_that_are_shown() -> None:
    cases = [
        with_shares(0.60, codes=0.40, text=0.20),
        with_shares(0.55, "0190-own", codes=0.55),
        with_shares(0.50, codes=0.20, text=0.25, unit=0.05),
        with_shares(0.50, codes=0.20, text=0.25, unit=0.05),
        with_shares(0.4999, codes=0.20, text=0.25, unit=0.0499),
    ]
    shown = present_answer(answer(similar=cases), document={})
    first, tied, hardly, last = shown.similar
    # The shop's own case stands in a list of its own.
    assert first.above == "10 points above the next: codes +20, unit \u22125, words \u22125."
    assert tied.above == "Exactly as alike as the next: neither is the better match."
    assert hardly.above == ""
    assert last.above == ""
    assert shown.own[0].above == ""


def test_a_probable_cure_is_no_fact_about_the_vehicle_in_the_bay() -> None:
    parts = [
        {"block": "likely_cure", "share": 0.4, "matched": ["service:recharge_refrigerant"]},
        {"block": "codes", "share": 0.1, "matched": ["P0533"]},
    ]
    item = similar() | {"similarity": 0.5, "parts": parts}
    case = present_answer(answer(similar=[item]), document={}).similar[0]
    assert case.because == "probably cured alike · P0533"
    assert case.reasons[0].name == "What would probably cure it"


def said_of(wanted: Any) -> list[tuple[str, str, str]]:
    return [(one.name, one.field, one.said.replace("\u00a0", " ")) for one in wanted]


def test_what_was_left_out_is_named_and_leads_to_the_field_that_takes_it() -> None:
    worth = [
        {"pointer": "/findings", "key": "dye_inspection", "gain": 0.05, "cases": 12, "of": 20},
        {"pointer": "/symptoms", "key": "warm_air", "gain": 0.02, "cases": 11, "of": 20},
        {"pointer": "/codes", "key": None, "gain": 0.1, "cases": 10, "of": 20},
        {"pointer": "/vehicle/engine", "key": None, "gain": 0.004, "cases": 20, "of": 20},
    ]
    missing = [
        {"pointer": "/vehicle/odometer", "key": None, "gain": 0.031},
        {"pointer": "/codes", "key": None, "gain": 0.006},
        # A check of another unit stands in no list of the form.
        {"pointer": "/findings", "key": "fork_position_signals", "gain": 0.005},
    ]
    data = answer(worth_adding=worth, similar=[similar() | {"missing": missing}])
    shown = present_answer(data, document={"unit": {"kind": "ac_system"}})
    assert said_of(shown.worth_adding) == [
        ("look for dye with the lamp", "f-check.dye_inspection", "(12 of 20 recorded it)"),
        ("blows warm", "f-symptom.warm_air", "(11)"),
        ("trouble codes", "f-codes", "(10)"),
    ]
    assert said_of(shown.similar[0].missing)[:2] == [
        ("odometer", "f-odometer", "+3"),
        ("trouble codes", "f-codes", "+1"),
    ]
    assert shown.similar[0].missing[2].field == ""
    without_unit = present_answer(data, document={})
    assert without_unit.worth_adding[0].field == "f-unit_kind"


def test_own_cases_lead_to_the_shops_own_page_and_others_to_the_shared_one() -> None:
    shown = present_answer(answer(similar=[similar("0190-own"), similar()]), document={})
    assert [case.path for case in shown.own] == ["/cases/0190-own"]
    assert [case.path for case in shown.similar] == [f"/shared/{CASE['id']}"]


def test_a_case_with_next_to_nothing_in_common_is_not_shown_as_similar() -> None:
    faint = similar() | {"similarity": 0.01, "parts": []}
    shown = present_answer(answer(similar=[similar(), faint]), document={})
    assert len(shown.similar) == 1
    assert [case.points for case in shown.unlike] == [1]


def test_a_sentence_that_all_cautions_share_is_said_once() -> None:
    cautions = [
        {"key": "a", "text": "Hot oil. The maker comes first."},
        {"key": "b", "text": "Heavy unit. The maker comes first."},
    ]
    shown = present_answer(answer(cautions=cautions), document={})
    assert shown.cautions == ["Hot oil.", "Heavy unit."]
    assert shown.hazards == ["A", "B"]
    assert shown.caution_end == "The maker comes first."


@pytest.mark.parametrize("key", ["pool_too_small", "few_cases", "something_new"])
def test_every_caveat_reads_as_a_sentence(key: str) -> None:
    shown = present_answer(answer(caveats=[key]), document={})
    assert shown.caveats[0].endswith(".")
    assert "_" not in shown.caveats[0]


def test_what_was_asked_fits_on_a_line_or_two() -> None:
    asked = say_asked(
        {
            "vehicle": {"year": 2018, "make": "Talvera", "odometer": {"value": 1000, "unit": "mi"}},
            "unit": {"kind": "ac_system"},
            "codes": [{"code": "P0533", "status": "pending"}],
            "complaint": "word " * 200,
        }
    )
    assert asked["vehicle"] == "2018 Talvera"
    assert "P0533 pending" in asked["said"]
    assert len(asked["said"]) < 200


def test_a_picture_of_cases_that_are_hardly_alike_says_so() -> None:
    far = similar() | {"similarity": 0.29}
    assert "29 of 100 alike" in present_answer(answer(similar=[far]), document={}).nearest
    assert present_answer(answer(similar=[far, similar()]), document={}).nearest == ""


def test_filling_words_are_no_reason_a_reader_sees() -> None:
    item = similar()
    item["parts"] = [{"block": "text", "share": 0.3, "matched": ["when", "judders", "w", "on"]}]
    case = present_answer(answer(similar=[item | {"similarity": 0.3}]), document={}).similar[0]
    assert case.because == "judders"


def test_findings_count_among_what_was_asked() -> None:
    findings = [{"check": "low_side_pressure", "value": 12, "unit": "psi"}]
    document = {"findings": findings, "codes": [{"code": "P0841-62"}], "unit": {}}
    assert say_asked(document)["said"] == "P0841\N{NON-BREAKING HYPHEN}62 · 1 finding"


def test_the_page_says_of_how_many_cases_it_is_known_what_they_took() -> None:
    resolved = {"level": "service", "share": 0.41, "interval": [0.33, 0.5], "cases": 50, "of": 121}
    outlook = answer()["outlook"] | {"resolved_by": [resolved]}
    assert present_answer(answer(outlook=outlook), document={}).known.endswith("known of 121.")
    all_known = outlook | {"cases": 121}
    assert present_answer(answer(outlook=all_known), document={}).known == ""
