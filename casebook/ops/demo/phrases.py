"""Phrases with choices in them: `"[blows|blowing] warm, {20-40} days, {month}"`.

`[a|b]` is one of its parts (which may nest), `{20-40}` a whole number, `{100-300/50}` one in steps
of 50, `{word}` something that the caller fills in.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache

from casebook.ops.demo.dice import Dice

_NUMBER = re.compile(r"(\d+)-(\d+)(?:/(\d+))?\Z")
_SPECIAL = re.compile(r"[\[\]|{}]")


class _Name(str):
    """A word in braces that the caller fills in."""

    __slots__ = ()


class Phrase:
    """parts: plain text, numbers (low, high, step), names to fill in, lists of phrases."""

    __slots__ = ("parts",)

    def __init__(self, parts: list[object]) -> None:
        self.parts = parts

    def names(self) -> set[str]:
        """What a caller has to fill in."""
        found: set[str] = set()
        for part in self.parts:
            if isinstance(part, _Name):
                found.add(str(part))
            elif isinstance(part, list):
                found.update(*(choice.names() for choice in part))
        return found


@cache
def parse_phrase(text: str) -> Phrase:
    """Raises ValueError where brackets do not pair."""
    phrase, end = _parse(text, 0, closing="")
    if end != len(text):
        raise ValueError(f"stray {text[end]!r} in phrase {text!r}")
    return phrase


def _parse(text: str, start: int, *, closing: str) -> tuple[Phrase, int]:
    parts: list[object] = []
    here = start
    while here < len(text):
        match = _SPECIAL.search(text, here)
        if match is None:
            parts.append(text[here:])
            here = len(text)
            break
        if match.start() > here:
            parts.append(text[here : match.start()])
        here = match.start()
        mark = text[here]
        if mark == "[":
            choices, here = _parse_choices(text, here + 1)
            parts.append(choices)
        elif mark == "{":
            end = text.find("}", here)
            if end < 0:
                raise ValueError(f"open brace in phrase {text!r}")
            parts.append(_slot(text[here + 1 : end]))
            here = end + 1
        elif mark in closing:
            return Phrase(parts), here
        else:
            raise ValueError(f"stray {mark!r} in phrase {text!r}")
    if closing:
        raise ValueError(f"open bracket in phrase {text!r}")
    return Phrase(parts), here


def _parse_choices(text: str, start: int) -> tuple[list[Phrase], int]:
    choices = []
    here = start
    while True:
        choice, here = _parse(text, here, closing="|]")
        choices.append(choice)
        if text[here] == "]":
            return choices, here + 1
        here += 1


def _slot(inside: str) -> object:
    match = _NUMBER.match(inside)
    if match is None:
        return _Name(inside)
    low, high, step = int(match[1]), int(match[2]), int(match[3] or 1)
    if low > high:
        raise ValueError(f"empty range {{{inside}}}")
    return (low, high, step)


def say(text: str, dice: Dice, fill: Mapping[str, str]) -> str:
    """One way of saying it. Raises KeyError for a word that `fill` does not know."""
    said: list[str] = []
    _say(parse_phrase(text), dice, fill, said)
    return "".join(said)


def _say(phrase: Phrase, dice: Dice, fill: Mapping[str, str], said: list[str]) -> None:
    for part in phrase.parts:
        if isinstance(part, _Name):
            said.append(fill[part])
        elif isinstance(part, str):
            said.append(part)
        elif isinstance(part, tuple):
            low, high, step = part
            said.append(str(low + step * dice.whole(0, (high - low) // step)))
        elif isinstance(part, list):
            _say(dice.pick(part), dice, fill, said)
