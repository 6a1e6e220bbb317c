"""The demo's cases: the same from the same seed, valid, varied, and shaped like a trade."""

from __future__ import annotations

import json
from collections import Counter
from datetime import date, timedelta
from pathlib import Path
from statistics import mean

import pytest

from casebook.cases.reading import read_case
from casebook.ops.demo.dice import Dice
from casebook.ops.demo.generator import generate
from casebook.ops.demo.history import next_workday
from casebook.ops.demo.intake import Bay
from casebook.ops.demo.repairs import choose_level
from casebook.ops.demo.sample import TODAY as SAMPLE_DAY
from casebook.ops.demo.sample import write_sample
from casebook.ops.demo.vehicles import Ailment, draw_vehicle
from casebook.ops.demo.world import load_world
from casebook.vocabulary import load_vocabulary

TODAY = date(2026, 3, 9)
SAMPLE = Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "cases.ndjson"


def draw(cases=300, *, seed=5, shops=26, today=TODAY):
    world = generate(seed=seed, shops=shops, cases=cases, today=today)
    return list(world.cases)


@pytest.fixture(scope="module")
def many():
    return draw(2_500)


def test_the_same_seed_gives_the_same_cases_and_another_seed_others():
    assert draw() == draw()
    assert draw() != draw(seed=6)


def test_asking_for_more_cases_leaves_the_first_ones_as_they_were():
    assert draw(200)[:50] == draw(50)


@pytest.mark.parametrize("today", [TODAY, TODAY + timedelta(days=500)])
def test_the_demo_always_looks_fresh(today):
    opened = [date.fromisoformat(case["opened_on"]) for _, case in draw(today=today)]
    assert today - max(opened) < timedelta(days=30)
    assert timedelta(days=2.5 * 365) < today - min(opened) < timedelta(days=3.1 * 365)


def test_every_case_is_accepted_and_doubted_only_for_readings_that_show_a_fault(many):
    doubts = 0
    for _, case in many:
        document = read_case(case, today=TODAY)
        doubts += bool(document.warnings)
        for warning in document.warnings:
            assert warning["pointer"].startswith("/findings/"), (warning, case)
    assert doubts < 0.3 * len(many)


def test_references_are_used_once_in_a_shop(many):
    references = [(shop, case["shop_reference"]) for shop, case in many]
    assert len(set(references)) == len(references)


def test_all_days_lie_within_the_three_years_before_today(many):
    for _, case in many:
        days = [case["opened_on"]]
        days += [attempt["on"] for attempt in case.get("attempts", [])]
        days += [seen["on"] for seen in case.get("follow_ups", [])]
        assert date(2023, 3, 1) < date.fromisoformat(min(days))
        assert date.fromisoformat(max(days)) <= TODAY


def test_shops_kinds_and_words_vary(many):
    assert len({shop for shop, _ in many}) == 26
    kinds = Counter(case["unit"]["kind"] for _, case in many)
    assert len(kinds) >= 0.9 * len(load_vocabulary().units)
    # The rarest, transfer cases, are about one in a hundred.
    assert min(kinds.values()) > 0.004 * len(many)
    assert max(kinds.values()) < 0.15 * len(many)
    assert len({case["complaint"] for _, case in many}) > 0.98 * len(many)


def test_what_is_left_alone_says_why(many):
    left = [
        (attempt["result"], action)
        for _, case in many
        for attempt in case.get("attempts", [])
        if attempt["level"] == "none"
        for action in attempt.get("actions", [])
    ]
    assert {action for _, action in left} == {
        "diagnosis_only",
        "clear_codes",
        "repair_declined",
        "handed_on",
    }
    assert ("no_fault_found", "repair_declined") not in left


def test_nobody_checks_the_pump_of_electric_steering(many):
    checks = Counter(
        (case["unit"].get("family", "")[:2], finding["check"])
        for _, case in many
        if case["unit"]["kind"] == "steering_system"
        for finding in case.get("findings", [])
    )
    assert checks["SH", "steering_fluid_check"] > 0
    assert checks["SE", "steering_motor_current"] > 0
    assert checks["SE", "steering_fluid_check"] == 0
    assert checks["SH", "steering_motor_current"] == 0


def test_not_everything_is_recorded(many):
    for member in ("codes", "symptoms", "findings", "notes", "cause"):
        share = mean(member in case for _, case in many)
        assert 0.3 < share < 0.98, member
    assert 0.7 < mean("odometer" in case["vehicle"] for _, case in many) < 1.0


def test_every_level_result_and_state_occurs(many):
    attempts = [attempt for _, case in many for attempt in case.get("attempts", [])]
    states = {seen["state"] for _, case in many for seen in case.get("follow_ups", [])}
    vocabulary = load_vocabulary()
    assert {attempt["level"] for attempt in attempts} == set(vocabulary.levels)
    assert {attempt["result"] for attempt in attempts} == {
        "fixed",
        "not_fixed",
        "no_fault_found",
        "unknown",
    }
    assert states == set(vocabulary.follow_up_states)
    assert any("attempts" not in case for _, case in many)


def test_what_was_seen_with_the_unit_apart_is_marked_as_such(many):
    stages = Counter(
        finding.get("stage", "intake") for _, case in many for finding in case.get("findings", [])
    )
    assert stages["repair"] > 50
    assert stages["intake"] > stages["repair"]


def test_the_worse_it_looks_the_more_is_done():
    # Whoever compares levels as they stand compares light cases with bad ones.
    world = load_world()
    kind = world.kinds["automatic_transmission"]["diesel"]
    fault = next(fault for fault in kind.faults if fault.key == "lockup_clutch")

    def share_of_service(severity):
        chosen = Counter()
        for i in range(400):
            dice = Dice(i)
            bay = Bay(
                world=world,
                kind=kind,
                shop=world.shops[0],
                voice=world.voices["plain"],
                vehicle=draw_vehicle(world, kind.key, TODAY, dice),
                ailment=Ailment(fault, severity),
                dice=dice,
            )
            chosen[choose_level(bay, severity, [])] += 1
        return chosen["service"] / 400

    assert share_of_service(0.1) > 2 * share_of_service(0.9)


def test_shops_that_forget_know_less(many):
    world = load_world()
    followed = Counter()
    repaired = Counter()
    for shop, case in many:
        if "attempts" in case and case["opened_on"] < "2025-09-01":
            repaired[shop] += 1
            followed[shop] += "follow_ups" in case
    by_habit = sorted(repaired, key=lambda shop: world.shops[shop].calls)
    forgetful, careful = by_habit[:6], by_habit[-6:]

    def share(shops):
        return sum(followed[s] for s in shops) / sum(repaired[s] for s in shops)

    assert share(forgetful) + 0.15 < share(careful)


def test_more_shops_than_invented_are_branches_with_names_of_their_own():
    world = generate(seed=1, shops=60, cases=0, today=TODAY)
    assert len({shop.name for shop in world.shops}) == 60
    assert len({person.email for shop in world.shops for person in shop.people}) == 180
    assert all(person.email.endswith(".example") for s in world.shops for person in s.people)


@pytest.mark.parametrize("shops, cases", [(0, 5), (3, -1)])
def test_nonsense_is_refused(shops, cases):
    with pytest.raises(ValueError, match="at least one shop"):
        generate(seed=1, shops=shops, cases=cases, today=TODAY)


def test_work_is_done_on_workdays():
    assert next_workday(date(2026, 3, 7)) == date(2026, 3, 9)
    assert next_workday(date(2026, 3, 8)) == date(2026, 3, 9)
    assert next_workday(date(2026, 3, 6)) == date(2026, 3, 6)


def test_waiting_times_have_the_mean_they_are_asked_for():
    for shape in (0.8, 1.0, 1.5):
        dice = Dice(3)
        waits = [dice.wait(50.0, shape) for _ in range(20_000)]
        # The standard error is under 0.5 for these shapes.
        assert mean(waits) == pytest.approx(50.0, abs=2.0)


def test_the_sample_in_the_repository_is_what_the_generator_makes():
    # To renew it: python -m casebook.ops.demo.sample > fixtures/demo/cases.ndjson
    assert SAMPLE.read_text(encoding="utf-8") == write_sample()


def test_the_sample_is_readable_and_every_line_is_a_case():
    lines = SAMPLE.read_text(encoding="utf-8").splitlines()
    assert len(lines) == 60
    for line in lines:
        read_case(json.loads(line), today=SAMPLE_DAY)
    assert len({json.loads(line)["unit"]["kind"] for line in lines}) >= 12
