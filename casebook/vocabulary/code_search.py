"""Finding codes by their beginning or by words. Pure."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Final

from casebook.vocabulary.code_form import CodeError, parse_code
from casebook.vocabulary.code_table import load_codes
from casebook.vocabulary.normaliser import load_replacements
from casebook.vocabulary.wording import plain_words

WORDS_FILE: Final = Path(__file__).parent / "data" / "code_words.toml"

_Words = tuple[str, ...]
_Shorthand = dict[_Words, _Words]


def find_codes(q: str) -> list[str]:
    """Codes that begin with `q`, then those whose description has all its words; each by code.

    A word may be workshop shorthand or the beginning of a word. Digits alone stand for any letter
    in front. A full code is found even if nothing is known of it but its structure.
    """
    prefix = "".join(q.split()).upper()
    found = dict.fromkeys(_exact(q))
    if prefix:
        found |= dict.fromkeys(code for code in load_codes() if code.startswith(prefix))
    if len(prefix) >= 3 and prefix.isalnum():
        found |= dict.fromkeys(code for code in load_codes() if code[1:].startswith(prefix))
    for words in _readings(q):
        found |= dict.fromkeys(code for code, said in _said().items() if _has_all(said, words))
    return list(found)


def _exact(q: str) -> Iterator[str]:
    try:
        yield parse_code(q).code
    except CodeError:
        return  # words, or the beginning of a code


def _readings(text: str) -> list[_Words]:
    """The words as they stand, with the names of parts written out, with all shorthand so."""
    words = tuple(plain_words(text).split())
    readings = [words, _write_out(words, _part_names()), _write_out(words, _shorthand())]
    return [reading for reading in dict.fromkeys(readings) if reading]


@cache
def _said() -> dict[str, frozenset[str]]:
    return {
        code: frozenset(
            word
            for reading in _readings(f"{entry.description} {entry.subsystem}")
            for word in reading
        )
        for code, entry in load_codes().items()
    }


def _has_all(said: frozenset[str], words: _Words) -> bool:
    return all(any(other.startswith(word) for other in said) for word in words)


@cache
def _part_names() -> _Shorthand:
    return _split(tomllib.loads(WORDS_FILE.read_text(encoding="utf-8")))


@cache
def _shorthand() -> _Shorthand:
    return _split(load_replacements())


def _split(table: Mapping[str, str]) -> _Shorthand:
    return {
        tuple(plain_words(written).split()): tuple(plain_words(meant).split())
        for written, meant in table.items()
    }


def _write_out(words: _Words, table: _Shorthand) -> _Words:
    """Replaces from the left, the longest written form first."""
    longest = max(map(len, table), default=1)
    out: list[str] = []
    at = 0
    while at < len(words):
        for length in range(min(longest, len(words) - at), 0, -1):
            meant = table.get(words[at : at + length])
            if meant is not None:
                break
        else:
            length, meant = 1, words[at : at + 1]
        out.extend(meant)
        at += length
    return tuple(out)
