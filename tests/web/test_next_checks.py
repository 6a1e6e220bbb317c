"""What to check next, as the page says it: every share with what stands behind it."""

from __future__ import annotations

from typing import Any

import pytest

from casebook.web.next_checks import NextCheck, present_checks


def result(key: str, probability: float, holds: float, then: str | None = None) -> dict[str, Any]:
    label = key.replace("_", " ").capitalize()
    return {
        "result": key,
        "label": label,
        "probability": probability,
        "service_holds": holds,
        "then": then,
    }


def check(**changes: Any) -> dict[str, Any]:
    return {
        "check": "leak_test_nitrogen",
        "label": "Nitrogen pressure test",
        "minutes": 40,
        "expected_gain_bits": 0.31,
        "net_value": None,
        "changes_decision": None,
        "cases": 35,
        "service_holds_now": 0.42,
        "results": [
            result("evaporator_leak", 0.35, 0.21),
            result("no_leak", 0.63, 0.71),
            result("hose_leak", 0.02, 0.97),
        ],
        "cautions": ["compressed_gas"],
    } | changes


def present(*checks: dict[str, Any], notes: tuple[str, ...] = (), currency: str = "EUR") -> Any:
    answer = {
        "next_checks": list(checks),
        "next_check_notes": [{"key": key, "text": f"Text of {key}."} for key in notes],
    }
    return present_checks(answer, kind="ac_system", currency=currency)


def only(shown: Any) -> NextCheck:
    assert len(shown.first) == 1
    one: NextCheck = shown.first[0]
    return one


def test_each_result_says_how_often_it_comes_and_what_it_would_mean() -> None:
    shown = present(check())
    assert shown.now == "about 4 in 10"
    assert [(o.label, o.chance, o.holds) for o in only(shown).outcomes] == [
        ("evaporator leak", "4 in 10", "2 in 10"),
        ("no leak", "6 in 10", "7 in 10"),
        ("hose leak", "under 1 in 10", "over 9 in 10"),
    ]
    assert only(shown).made == "Made in 35 similar cases"
    assert not only(shown).thin


def test_a_check_that_can_hurt_carries_its_caution() -> None:
    assert only(present(check())).cautions == ["Compressed gas"]


def test_a_check_that_few_made_is_drawn_hollow_and_says_so() -> None:
    assert only(present(check(cases=4))).thin


def test_the_name_leads_to_the_field_that_takes_the_result() -> None:
    known = only(present(check(check="dye_inspection")))
    assert known.field == "f-check.dye_inspection"
    # A check of another unit stands in no list of the form.
    assert only(present(check(check="fork_position_signals"))).field == ""


@pytest.mark.parametrize(
    "net, changes, said",
    [
        ("38.00", True, "Saves about 38 EUR on average, its time paid."),
        ("-12.40", True, "Costs more time than it saves, on average."),
        ("-60.00", False, "Would not change the choice."),
    ],
)
def test_with_costs_each_check_says_what_it_saves(net: str, changes: bool, said: str) -> None:
    other = check(net_value="50.00", changes_decision=True)
    shown = present(other, check(net_value=net, changes_decision=changes))
    assert shown.by_money
    assert shown.first[1].saves.replace("\u00a0", " ") == said


def test_where_no_check_changes_the_choice_it_is_said_once() -> None:
    idle = check(net_value="-60.00", changes_decision=False)
    shown = present(idle, idle, notes=("no_check_changes_decision",))
    assert shown.notes == [
        "No check would change the choice: whatever it shows, the same way stays the cheapest."
    ]
    assert [one.saves for one in shown.first] == ["", ""]


def test_the_step_after_a_result_is_said_only_where_the_ways_part() -> None:
    same = [result("a", 0.5, 0.2, "service_first"), result("b", 0.5, 0.7, "service_first")]
    parted = [result("a", 0.5, 0.2, "replace_now"), result("b", 0.5, 0.7, "service_first")]
    money = {"net_value": "1.00", "changes_decision": True}
    assert [o.then for o in only(present(check(results=same, **money))).outcomes] == ["", ""]
    assert [o.then for o in only(present(check(results=parted, **money))).outcomes] == [
        "replace now",
        "service first",
    ]


def test_notes_for_programs_are_said_in_the_words_of_the_page() -> None:
    shown = present(notes=("labour_rate_needed", "unit_kind_needed", "pool_too_small"))
    assert "labour_rate" not in shown.notes[0]
    assert shown.notes[1] == "Text of unit_kind_needed."
    assert len(shown.notes) == 2


def test_nothing_to_say_is_nothing_to_show() -> None:
    assert not present()
