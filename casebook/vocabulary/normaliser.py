"""What workshop shorthand means: the table that text is normalised by before it is compared.

`data/normaliser.toml` is grown by people; each entry carries its reason. Whoever compares text
takes the plain mapping of `load_replacements`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from casebook.vocabulary.wording import fold_text

NORMALISER_FILE: Final = Path(__file__).parent / "data" / "normaliser.toml"
THEMES: Final = ("abbreviations", "synonyms", "misspellings", "forms", "units", "stop_words")


class NormaliserError(Exception):
    """The data file does not hang together; `faults` lists every place."""

    def __init__(self, faults: tuple[str, ...]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


@dataclass(frozen=True, slots=True)
class Entry:
    """written: as people write it; meant: what it is compared as, "" for a word that says nothing.

    Both are lower case; either may be several words.
    """

    written: str
    meant: str
    theme: str
    reason: str


def load_replacements() -> dict[str, str]:
    """Written form -> meaning, for the text block of a search. A fresh copy at each call."""
    return {entry.written: entry.meant for entry in load_entries()}


@cache
def load_entries() -> tuple[Entry, ...]:
    """All entries of the file that Casebook ships."""
    return read_entries(NORMALISER_FILE)


def read_entries(path: Path) -> tuple[Entry, ...]:
    """Reads a normaliser file. Raises NormaliserError with every fault found."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise NormaliserError((f"{path.name}: {error}",)) from error
    faults: list[str] = []
    faults += [f"{theme}: unknown; one of {', '.join(THEMES)}." for theme in data.keys() - THEMES]
    entries = tuple(
        entry for theme in THEMES for entry in _theme_entries(theme, data.get(theme, {}), faults)
    )
    faults += _contradictions(entries)
    if faults:
        raise NormaliserError(tuple(faults))
    return entries


def _theme_entries(theme: str, table: Mapping[str, Any], faults: list[str]) -> Iterator[Entry]:
    """`reason` at the top of a theme holds for the entries that don't give their own.

    forms and stop words are lists: `meant = ["written", ...]`.
    """
    shared = table.get("reason", "")
    for key, value in table.items():
        if key == "reason":
            continue
        if theme in ("forms", "stop_words"):
            pairs = [(written, "" if theme == "stop_words" else key) for written in value]
            reason = shared
        elif isinstance(value, str):
            pairs, reason = [(key, value)], shared
        elif isinstance(value, list) and len(value) == 2:
            pairs, reason = [(key, value[0])], value[1]
        else:
            faults.append(f'{theme}: {key}: write "meaning" or ["meaning", "reason"].')
            continue
        if not isinstance(reason, str) or not reason:
            faults.append(f"{theme}: {key}: needs a reason.")
            continue
        yield from (Entry(written, meant, theme, reason) for written, meant in pairs)


def _contradictions(entries: tuple[Entry, ...]) -> Iterator[str]:
    """A written form means one thing, and a meaning is not itself rewritten."""
    by_written: dict[str, Entry] = {}
    for entry in entries:
        for text in (entry.written, entry.meant):
            if text != fold_text(text):
                yield f"{entry.theme}: {text!r}: write lower case without accents."
        other = by_written.setdefault(entry.written, entry)
        if other is not entry:
            yield f"{entry.theme}: {entry.written!r} is already in {other.theme}."
        if entry.written == entry.meant:
            yield f"{entry.theme}: {entry.written!r} means itself."
    for entry in entries:
        for word in (entry.meant, *entry.meant.split()):
            if word in by_written and by_written[word].meant != word:
                yield f"{entry.theme}: {entry.written!r} means {word!r}, which is rewritten too."
