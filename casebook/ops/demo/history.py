"""From the first attempt to what is known in the end: repairs, follow-ups, and who is lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from casebook.ops.demo.dice import Dice
from casebook.ops.demo.intake import Bay
from casebook.ops.demo.repairs import Work, choose_level, do_work, judge_severity, note_costs

_CALL_DAYS = (30, 180, 365)
_MOST_ATTEMPTS = 4
# What is entered as done where nothing is repaired.
_LEFT_ALONE: Mapping[str, Mapping[str, float]] = {
    "nothing": {"diagnosis_only": 0.7, "clear_codes": 0.3},
    "declined": {"repair_declined": 0.8, "handed_on": 0.2},
}
_NEVER = 1e9


@dataclass
class Story:
    """What goes into the case, and what the notes have to tell."""

    opened: date
    attempts: list[dict[str, Any]] = field(default_factory=list)
    follow_ups: list[dict[str, Any]] = field(default_factory=list)
    works: list[Work] = field(default_factory=list)
    # What the notes say of each attempt: ("work", index) or ("gap", days).
    told: list[tuple[str, int]] = field(default_factory=list)
    solved: bool = False


def tell_story(bay: Bay, opened: date, today: date, checks_made: int) -> Story:
    """Everything that happened up to `today`."""
    dice, story = bay.dice, Story(opened)
    day = next_workday(opened + timedelta(days=_days_in_queue(bay)))
    if day > today or dice.chance(0.012):
        return story  # still in the yard, or forgotten
    if _is_left_alone(bay, story, day):
        if story.attempts[0]["result"] == "no_fault_found":
            _watch(bay, story, day, today, days_until_back=dice.wait(500.0))
        return story
    looks = judge_severity(bay, checks_made)
    while len(story.works) < _MOST_ATTEMPTS and day <= today:
        level = choose_level(bay, looks, story.works)
        if level is None:
            break
        work = do_work(bay, level, checks_made, story.works)
        story.works.append(work)
        seen_cured = work.cured or dice.chance(0.18)  # some leave the yard with the fault asleep
        _write_attempt(bay, story, work, day, seen_cured=seen_cured)
        if not seen_cured:
            if dice.chance(0.08 + 0.1 * bay.ailment.severity):
                _leave(bay, story, day, today)
                break
            day = next_workday(day + timedelta(days=dice.whole(1, 9)))
            continue
        until = work.days_until_back if work.cured else dice.wait(12.0)
        back = _watch(bay, story, day, today, days_until_back=until)
        if back is None:
            story.solved = work.cured and work.right_part
            break
        if dice.chance(0.1):
            break  # came back, and nothing more was done here
        story.told.append(("gap", (back - day).days))
        day = next_workday(back + timedelta(days=dice.whole(0, 6)))
        looks = min(1.0, looks + 0.15)
    return story


def next_workday(day: date) -> date:
    """That day, or the Monday after it (Saturdays count for few shops, Sundays for none)."""
    return day + timedelta(days=7 - day.weekday()) if day.weekday() >= 5 else day


def _days_in_queue(bay: Bay) -> int:
    return int(bay.dice.wait(2.5, 0.9))


def _is_left_alone(bay: Bay, story: Story, day: date) -> bool:
    """Nothing found, or the owner declines: level none."""
    dice, severity = bay.dice, bay.ailment.severity
    old = bay.vehicle.age_years > 12.0
    if dice.chance(0.07 * (1.0 - severity) ** 2):
        result, told = "no_fault_found", "nothing"
    elif dice.chance(0.012 + (0.07 * severity if old else 0.0)):
        result, told = "not_fixed", "declined"
    else:
        return False
    attempt: dict[str, Any] = {"on": day.isoformat(), "level": "none", "result": result}
    if dice.chance(0.5):
        attempt["actions"] = [dice.weigh(_LEFT_ALONE[told])]
    if dice.chance(bay.shop.prices):
        hours = round(dice.between(0.3, 1.5), 1)
        cost = f"{hours * bay.shop.rate:.2f}"
        attempt |= {"labour_hours": hours, "labour_cost": cost, "currency": "EUR"}
    story.attempts.append(attempt)
    story.told.append((told, 0))
    return True


def _write_attempt(bay: Bay, story: Story, work: Work, day: date, *, seen_cured: bool) -> None:
    dice = bay.dice
    result = "fixed" if seen_cured else "not_fixed"
    if dice.chance(0.05):
        result = "unknown"
    attempt: dict[str, Any] = {
        "on": day.isoformat(),
        "level": work.level,
        "actions": list(work.actions),
        **note_costs(bay, work),
        "result": result,
    }
    if work.source and dice.chance(0.9):
        attempt["unit_source"] = work.source
    story.told.append(("work", len(story.works) - 1))
    story.attempts.append(attempt)


def _leave(bay: Bay, story: Story, day: date, today: date) -> None:
    """Not fixed, and the owner has had enough: scrapped, sold, or gone elsewhere."""
    dice = bay.dice
    seen = next_workday(day + timedelta(days=dice.whole(12, 60)))
    if seen <= today and dice.chance(bay.shop.calls):
        state = "gone" if dice.chance(0.6) else "no_contact"
        story.follow_ups.append({"on": seen.isoformat(), "state": state})


def _watch(
    bay: Bay, story: Story, day: date, today: date, *, days_until_back: float
) -> date | None:
    """Follow-ups after a delivery. Returns the day on which the customer stands in the yard again,
    None where that does not happen before `today`."""
    dice = bay.dice
    fate = _Fate.draw(bay, days_until_back)
    returns = fate.back < fate.gone and dice.chance(0.82 if fate.back < 90 else 0.66)
    end = int(fate.back) if returns else _NEVER
    for due in _contact_days(dice):
        on = next_workday(day + timedelta(days=due))
        if on > today or (on - day).days >= end:
            break
        state = _what_is_learned(bay, fate, (on - day).days, due)
        if state is None:
            continue
        _write_follow_up(bay, story, on, state)
        if state in ("gone", "came_back"):
            return None
    back = next_workday(day + timedelta(days=max(1, int(fate.back)))) if returns else None
    if back is None or back > today:
        return None
    _write_follow_up(bay, story, back, "came_back")
    return back


@dataclass(frozen=True)
class _Fate:
    """Days from delivery to what happens to the vehicle."""

    back: float
    gone: float
    other: float

    @classmethod
    def draw(cls, bay: Bay, days_until_back: float) -> _Fate:
        age, dice = bay.vehicle.age_years, bay.dice
        gone_a_year = 0.025 + 0.012 * max(0.0, age - 7.0) + 0.03 * bay.ailment.severity
        other_a_year = 0.08 + 0.015 * age
        return cls(
            back=days_until_back,
            gone=dice.wait(365.0 / gone_a_year),
            other=dice.wait(365.0 / other_a_year),
        )


def _contact_days(dice: Dice) -> Sequence[int]:
    """Owed calls with their delays, and visits for something else that tell as much."""
    days = [due + int(dice.wait(9.0)) for due in _CALL_DAYS]
    if dice.chance(0.16):
        days.append(dice.whole(60, 340))
    if dice.chance(0.14):
        days.append(dice.whole(395, 900))
    return sorted(set(days))


def _what_is_learned(bay: Bay, fate: _Fate, days: int, due: int) -> str | None:
    """What a call on that day brings; None where nobody calls."""
    dice = bay.dice
    # The later the call, the likelier it is forgotten.
    if not dice.chance(bay.shop.calls * (1.0 if due < 120 else 0.92 if due < 330 else 0.85)):
        return None
    gone, failed = fate.gone <= days, fate.back <= days and fate.back < fate.gone
    # People who went elsewhere, or no longer have the vehicle, are harder to reach.
    if not dice.chance(0.55 if failed else 0.6 if gone else 0.9):
        return "no_contact"
    if failed:
        return "came_back"
    if gone:
        return "gone"
    return "other_fault" if fate.other <= days and dice.chance(0.55) else "holding"


def _write_follow_up(bay: Bay, story: Story, on: date, state: str) -> None:
    follow_up: dict[str, Any] = {"on": on.isoformat(), "state": state}
    asked = 0.85 if state == "came_back" else 0.45
    if state not in ("no_contact", "gone") and bay.dice.chance(asked):
        follow_up["odometer"] = bay.vehicle.odometer((on - story.opened).days)
    story.follow_ups.append(follow_up)
