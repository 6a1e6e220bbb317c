"""What the shop writes down afterwards: notes of the work, and the cause."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from casebook.ops.demo.dice import Dice
from casebook.ops.demo.history import Story
from casebook.ops.demo.intake import Bay
from casebook.ops.demo.phrases import say
from casebook.ops.demo.repairs import Work
from casebook.ops.demo.world import Cause

_NOTES_WRITTEN = 0.78


def write_notes(bay: Bay, story: Story) -> str:
    """What was done and how it ended, as terse or wordy as whoever writes it."""
    dice, after = bay.dice, bay.world.after
    if not story.attempts or not dice.chance(_NOTES_WRITTEN):
        return ""
    fill = bay.fill()
    told: list[str] = []
    for what, number in story.told:
        if what == "work":
            told += _tell_work(bay, story, number, fill)
        elif what == "gap":
            told.append(say(dice.pick(after["came_back"]), dice, {**fill, "gap": _gap(number)}))
        elif what == "nothing":
            told.append(say(dice.pick(after["no_fault_found"]), dice, fill))
        else:
            told.append(say(dice.pick(after["declined"]), dice, fill))
    return bay.voice.write(told, dice, bay.world.lexicon)


def _tell_work(bay: Bay, story: Story, number: int, fill: dict[str, str]) -> list[str]:
    dice, after = bay.dice, bay.world.after
    done = [_tell_action(bay, action, fill) for action in story.works[number].actions]
    if number and done:
        done[0] = f"{dice.pick(after['next'])} {done[0]}".strip()
    result = story.attempts[number]["result"]
    if result == "not_fixed" or dice.chance(0.6):
        done.append(say(dice.pick(after[result]), dice, fill))
    return done


def _tell_action(bay: Bay, action: str, fill: dict[str, str]) -> str:
    ways = bay.kind.did.get(action) or bay.world.did[action]
    return say(bay.dice.pick(ways), bay.dice, fill)


def _gap(days: int) -> str:
    if days < 12:
        return f"{days} day{'s' if days > 1 else ''}"
    if days < 70:
        return f"{round(days / 7)} weeks"
    return f"{round(days / 30.4)} months"


def tell_cause(bay: Bay, story: Story) -> dict[str, Any] | None:
    """The cause as entered: often when the repair worked, seldom otherwise, not always right."""
    dice = bay.dice
    if not story.works or not dice.chance(0.75 if story.solved else 0.3):
        return None
    fault = bay.ailment.fault
    if not story.solved and dice.chance(0.4):
        fault = dice.pick([f for f in bay.kind.faults if f.is_thinkable(bay.family)])
    text = say(_pick_cause(fault.causes, story.works[-1], dice).text, dice, bay.fill())
    confirmed = story.solved and _was_seen(story.works[-1]) and dice.chance(bay.shop.confirms)
    return {"text": bay.voice.write([text], dice, bay.world.lexicon), "confirmed": confirmed}


def _pick_cause(causes: Sequence[Cause], work: Work, dice: Dice) -> Cause:
    """One that goes with the part in the hand, where there is one."""
    of_part = [cause for cause in causes if cause.part in work.actions]
    return dice.pick(of_part or [cause for cause in causes if not cause.part] or causes)


def _was_seen(work: Work) -> bool:
    """A fluid change that helps shows no cause; a part in the hand does."""
    return work.level in ("component", "overhaul", "replacement")
