"""Reading what became of a case: the definitions that the outcome statistics stand on."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebook.cases.constants import FOLLOW_UP_STATES, LEVELS, RESULTS
from casebook.cases.outcome import AttemptFact, FollowUpFact, read_outcome

DAY = date(2026, 1, 10)


def attempt(days: int, level: str, result: str = "fixed") -> AttemptFact:
    return AttemptFact(DAY + timedelta(days=days), level, result)


def seen(days: int, state: str) -> FollowUpFact:
    return FollowUpFact(DAY + timedelta(days=days), state)


def test_a_case_without_attempts_is_open_and_says_nothing_else():
    outcome = read_outcome([], [])
    assert outcome.state == "open"
    assert outcome.first_level is None
    assert outcome.event is None
    assert outcome.next_due_on is None


def test_not_fixed_counts_as_coming_back_on_day_zero():
    outcome = read_outcome([attempt(0, "service", "not_fixed")], [])
    assert (outcome.first_level, outcome.event, outcome.event_days) == ("service", "came_back", 0)
    assert outcome.resolved_by is None


def test_a_second_attempt_ends_the_first_on_its_day_and_resolves():
    outcome = read_outcome(
        [attempt(0, "service"), attempt(40, "component")], [seen(300, "holding")]
    )
    assert (outcome.first_level, outcome.event, outcome.event_days) == ("service", "came_back", 40)
    assert outcome.resolved_by == "component"
    assert outcome.held_days == 260


def test_gone_competes_and_a_comeback_on_the_same_day_comes_first():
    assert read_outcome([attempt(0, "service")], [seen(90, "gone")]).event == "gone"
    both = read_outcome([attempt(0, "service")], [seen(90, "gone"), seen(90, "came_back")])
    assert both.event == "came_back"


def test_no_contact_tells_nothing_and_other_fault_does_not_end_the_follow_up():
    outcome = read_outcome(
        [attempt(0, "service")], [seen(200, "no_contact"), seen(60, "other_fault")]
    )
    assert (outcome.event, outcome.event_days) == ("none", 60)


def test_looking_without_doing_is_not_the_first_try_unless_nothing_followed():
    both = read_outcome([attempt(0, "none", "no_fault_found"), attempt(5, "service")], [])
    assert (both.first_level, both.event) == ("service", "none")
    assert read_outcome([attempt(0, "none", "no_fault_found")], []).first_level == "none"


def test_states_follow_the_last_attempt():
    assert read_outcome([attempt(0, "service")], []).state == "repaired"
    assert read_outcome([attempt(0, "service")], [seen(364, "holding")]).state == "repaired"
    assert read_outcome([attempt(0, "service")], [seen(365, "holding")]).state == "followed"
    assert read_outcome([attempt(0, "service")], [seen(3, "came_back")]).state == "followed"
    again = read_outcome([attempt(0, "service"), attempt(9, "component")], [seen(3, "came_back")])
    assert again.state == "repaired"


def test_a_comeback_repaired_on_its_own_day_belongs_to_the_attempt_before():
    attempts = [attempt(0, "service"), attempt(40, "component")]
    outcome = read_outcome(attempts, [seen(40, "came_back")])
    assert (outcome.event, outcome.event_days) == ("came_back", 40)
    assert (outcome.state, outcome.resolved_by) == ("repaired", "component")
    assert outcome.next_due_on == DAY + timedelta(days=70)
    # Both on one day: nothing else is there that it could have come back from.
    assert read_outcome(attempts[:1], [seen(0, "came_back")]).resolved_by is None
    at_once = read_outcome([attempt(0, "service"), attempt(0, "component")], [seen(0, "came_back")])
    assert at_once.resolved_by is None


@pytest.mark.parametrize(
    "follow_ups, due_after_days",
    [
        ([], 30),
        ([(10, "holding")], 30),  # too early to answer for day 30
        ([(25, "holding")], 180),  # near enough to day 30
        ([(31, "no_contact")], 180),  # asked, nobody answered: not asked again at once
        ([(170, "holding")], 365),
    ],
)
def test_follow_ups_are_owed_after_30_180_and_365_days(follow_ups, due_after_days):
    outcome = read_outcome([attempt(0, "service")], [seen(*item) for item in follow_ups])
    assert outcome.next_due_on == DAY + timedelta(days=due_after_days)


def test_nothing_is_owed_of_a_repair_that_did_not_help():
    assert read_outcome([attempt(0, "service", "not_fixed")], []).next_due_on is None
    again = [attempt(0, "service", "not_fixed"), attempt(40, "overhaul")]
    assert read_outcome(again, []).next_due_on == DAY + timedelta(days=70)


def test_nothing_is_owed_once_the_outcome_is_known():
    assert read_outcome([attempt(0, "service")], [seen(370, "holding")]).next_due_on is None
    assert read_outcome([attempt(0, "service")], [seen(20, "gone")]).next_due_on is None


attempts_drawn = st.lists(
    st.builds(attempt, st.integers(0, 900), st.sampled_from(LEVELS), st.sampled_from(RESULTS)),
    max_size=5,
).map(lambda drawn: sorted(drawn, key=lambda a: a.on))
follow_ups_drawn = st.lists(
    st.builds(seen, st.integers(0, 1500), st.sampled_from(FOLLOW_UP_STATES)), max_size=6
)


@given(attempts_drawn, follow_ups_drawn)
def test_an_outcome_is_whole_or_absent_and_never_resolved_after_a_comeback(attempts, follow_ups):
    outcome = read_outcome(attempts, follow_ups)
    whole = [outcome.first_level, outcome.event, outcome.event_days]
    assert all(part is None for part in whole) or all(part is not None for part in whole)
    assert (outcome.state == "open") == (not attempts)
    if outcome.event_days is not None:
        assert outcome.event_days >= 0
    last = attempts[-1].on if attempts else None
    if any(f.state == "came_back" and last and f.on > last for f in follow_ups):
        tried = [a for a in attempts if a.level != "none"] or attempts[:1]
        if tried[-1].on == last:
            assert outcome.resolved_by is None


# --- what became of the vehicle, and how far it went ------------------------------------------


def driven(days: int, state: str, km: float | None) -> FollowUpFact:
    return FollowUpFact(DAY + timedelta(days=days), state, km)


def test_the_path_is_the_levels_tried_in_order_and_looking_is_no_step():
    outcome = read_outcome(
        [attempt(0, "none", "unknown"), attempt(3, "service"), attempt(9, "replacement")], []
    )
    assert outcome.path == ("service", "replacement")
    assert (outcome.first_on, outcome.last_on) == (DAY + timedelta(3), DAY + timedelta(9))
    assert read_outcome([attempt(0, "none", "no_fault_found")], []).path == ("none",)


@pytest.mark.parametrize(
    "seen_later, km",
    [
        ([driven(200, "came_back", 112_040)], 12_000),
        ([driven(200, "came_back", None)], None),
        ([driven(90, "holding", 104_000), driven(200, "came_back", None)], None),
        ([driven(90, "holding", 104_000), driven(200, "holding", None)], 4_000),
        ([driven(90, "holding", 104_000), driven(200, "no_contact", 109_000)], 4_000),
        ([driven(90, "gone", 104_060)], 4_100),
        ([], 0),
    ],
)
def test_the_distance_is_that_of_the_event_or_of_the_last_reading(seen_later, km):
    outcome = read_outcome([attempt(0, "service")], seen_later, odometer_km=100_000.0)
    assert outcome.event_km == km


def test_without_an_odometer_at_intake_no_distance_is_known_but_the_first_metre():
    later = [driven(90, "holding", 104_000)]
    assert read_outcome([attempt(0, "service")], later).event_km is None
    assert read_outcome([attempt(0, "service", "not_fixed")], later).event_km == 0


def test_the_vehicles_story_goes_on_after_the_repair_came_back():
    outcome = read_outcome(
        [attempt(0, "service")],
        [
            seen(20, "came_back"),
            seen(90, "other_fault"),
            seen(70, "other_fault"),
            seen(300, "gone"),
        ],
    )
    assert (outcome.event, outcome.event_days) == ("came_back", 20)
    assert (outcome.other_fault_days, outcome.gone_days, outcome.watched_days) == (70, 300, 300)


def test_no_contact_is_not_hearing_of_the_vehicle():
    outcome = read_outcome([attempt(0, "service")], [seen(30, "holding"), seen(400, "no_contact")])
    assert outcome.watched_days == 30
    assert outcome.other_fault_days is outcome.gone_days is None
