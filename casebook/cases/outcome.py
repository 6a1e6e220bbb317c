"""What became of a case: pure reading of its attempts and follow-ups. Knows no Django.

The event of the *first* attempt is what the outcome statistics count (a repair at that level,
tried first): it did not fix (day 0), it came back or a further attempt was needed (that day), the
vehicle was sold or scrapped (`gone`, a competing event), or nothing more is known after a day.
Beside it stands what became of the vehicle: another fault and leaving do not end its story.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from casebook.cases.constants import FOLLOW_UP_DAYS, HORIZON_DAYS

NONE, CAME_BACK, GONE = "none", "came_back", "gone"
SEEN = {"holding", "other_fault"}
OTHER_FAULT = "other_fault"
NO_CONTACT = "no_contact"
# Distances are shared to the nearest so many km: enough to count with, no reading of an odometer.
KM_STEP = 100


@dataclass(frozen=True)
class AttemptFact:
    on: date
    level: str
    result: str


@dataclass(frozen=True)
class FollowUpFact:
    on: date
    state: str
    odometer_km: float | None = None


@dataclass(frozen=True)
class Outcome:
    """first_level None: nothing was tried. event_days: days from the first attempt to `event`, or
    to the last contact where the event is none; event_km likewise, None where no odometer tells.

    path: the levels tried, in order. first_on, last_on: days of the first and the last of them.
    other_fault_days, gone_days: days from the first attempt to the first of each, None where none
    was seen. watched_days: to the last time that anything was heard of the vehicle.
    """

    state: str
    first_level: str | None = None
    event: str | None = None
    event_days: int | None = None
    resolved_by: str | None = None
    held_days: int | None = None
    last_state: str | None = None
    next_due_on: date | None = None
    path: tuple[str, ...] = ()
    first_on: date | None = None
    last_on: date | None = None
    event_km: float | None = None
    other_fault_days: int | None = None
    gone_days: int | None = None
    watched_days: int | None = None


def read_outcome(
    attempts: Sequence[AttemptFact],
    follow_ups: Sequence[FollowUpFact],
    *,
    odometer_km: float | None = None,
) -> Outcome:
    """Attempts in the order they were made; follow-ups in any order. odometer_km: at intake."""
    if not attempts:
        return Outcome(state="open")
    seen = sorted(follow_ups, key=lambda follow_up: follow_up.on)
    # Looking without doing (`none`) is not a try, unless it is all that was done.
    tried = [attempt for attempt in attempts if attempt.level != "none"] or [attempts[0]]
    first, last = tried[0], tried[-1]
    event, event_days = _first_event(first, tried[1:], seen)
    after_last = [follow_up for follow_up in seen if _is_about(last, follow_up, tried[:-1])]
    resolved_by, held_days = _resolution(last, after_last)
    state = "followed" if _is_followed(last, after_last) else "repaired"
    return Outcome(
        state=state,
        first_level=first.level,
        event=event,
        event_days=event_days,
        resolved_by=resolved_by,
        held_days=held_days,
        last_state=seen[-1].state if seen else None,
        next_due_on=None if state == "followed" else _next_due(last, after_last),
        path=tuple(attempt.level for attempt in tried),
        first_on=first.on,
        last_on=last.on,
        event_km=_event_km(first, event, event_days, seen, odometer_km),
        other_fault_days=_first_seen(first, seen, OTHER_FAULT),
        gone_days=_first_seen(first, seen, GONE),
        watched_days=_watched(first, last, seen),
    )


def _is_about(last: AttemptFact, seen: FollowUpFact, before: Sequence[AttemptFact]) -> bool:
    """Whether a follow-up tells of the last attempt. A vehicle that comes back and is worked on the
    same day came back from the attempt before."""
    if seen.on == last.on and seen.state == CAME_BACK:
        return not any(attempt.on < last.on for attempt in before)
    return seen.on >= last.on


def _first_event(
    first: AttemptFact, later: Sequence[AttemptFact], seen: Sequence[FollowUpFact]
) -> tuple[str, int]:
    if first.result == "not_fixed":
        return CAME_BACK, 0
    events = [(attempt.on, CAME_BACK) for attempt in later]
    events += [(f.on, f.state) for f in seen if f.state in (CAME_BACK, GONE) and f.on >= first.on]
    if events:
        # On one day a comeback comes before the sale: it is the reason to look.
        day, event = min(events, key=lambda pair: (pair[0], pair[1] != CAME_BACK))
        return event, max(0, (day - first.on).days)
    contacts = [f.on for f in seen if f.state in SEEN and f.on >= first.on]
    return NONE, (max(contacts) - first.on).days if contacts else 0


def _event_km(
    first: AttemptFact,
    event: str,
    event_days: int,
    seen: Sequence[FollowUpFact],
    odometer_km: float | None,
) -> float | None:
    if event_days == 0:
        return 0.0
    if odometer_km is None:
        return None
    if event == NONE:
        # Held at least as far as the furthest reading of those who saw it hold.
        told = [f for f in seen if f.state in SEEN and f.on >= first.on]
    else:
        told = [f for f in seen if (f.on - first.on).days == event_days]
    driven = [f.odometer_km - odometer_km for f in told if f.odometer_km is not None]
    return KM_STEP * round(max(0.0, *driven) / KM_STEP) if driven else None


def _first_seen(first: AttemptFact, seen: Sequence[FollowUpFact], state: str) -> int | None:
    return min(
        ((f.on - first.on).days for f in seen if f.state == state and f.on >= first.on),
        default=None,
    )


def _watched(first: AttemptFact, last: AttemptFact, seen: Sequence[FollowUpFact]) -> int:
    heard = [f.on for f in seen if f.state != NO_CONTACT and f.on >= first.on]
    return (max([last.on, *heard]) - first.on).days


def _resolution(last: AttemptFact, after: Sequence[FollowUpFact]) -> tuple[str | None, int | None]:
    contacts = [follow_up for follow_up in after if follow_up.state in SEEN]
    came_back = any(follow_up.state == CAME_BACK for follow_up in after)
    worked = last.result in ("fixed", "no_fault_found") or (
        last.result == "unknown" and bool(contacts)
    )
    held_days = max(((f.on - last.on).days for f in contacts), default=0)
    if came_back or not worked:
        return None, held_days if worked else None
    return last.level, held_days


def _is_followed(last: AttemptFact, after: Sequence[FollowUpFact]) -> bool:
    return any(
        follow_up.state in (CAME_BACK, GONE)
        or (follow_up.state in SEEN and (follow_up.on - last.on).days >= HORIZON_DAYS)
        for follow_up in after
    )


def _next_due(last: AttemptFact, after: Sequence[FollowUpFact]) -> date | None:
    """The first owed day that no follow-up comes near enough to (a fifth early will do); none of a
    repair that is known not to have helped: what is missing there is the next attempt."""
    if last.result == "not_fixed":
        return None
    latest = max(((follow_up.on - last.on).days for follow_up in after), default=-1)
    for days in FOLLOW_UP_DAYS:
        if latest < days * 0.8:
            return last.on + timedelta(days=days)
    return None
