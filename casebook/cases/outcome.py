"""What became of a case: pure reading of its attempts and follow-ups. Knows no Django.

The event of the *first* attempt is what the outcome statistics count (a repair at that level,
tried first): it did not fix (day 0), it came back or a further attempt was needed (that day), the
vehicle was sold or scrapped (`gone`, a competing event), or nothing more is known after a day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from casebook.cases.constants import FOLLOW_UP_DAYS, HORIZON_DAYS

NONE, CAME_BACK, GONE = "none", "came_back", "gone"
SEEN = {"holding", "other_fault"}


@dataclass(frozen=True)
class AttemptFact:
    on: date
    level: str
    result: str


@dataclass(frozen=True)
class FollowUpFact:
    on: date
    state: str


@dataclass(frozen=True)
class Outcome:
    """first_level None: nothing was tried. event_days: days from the first attempt to `event`, or
    to the last contact where the event is none."""

    state: str
    first_level: str | None = None
    event: str | None = None
    event_days: int | None = None
    resolved_by: str | None = None
    held_days: int | None = None
    last_state: str | None = None
    next_due_on: date | None = None


def read_outcome(attempts: Sequence[AttemptFact], follow_ups: Sequence[FollowUpFact]) -> Outcome:
    """Attempts in the order they were made; follow-ups in any order."""
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
