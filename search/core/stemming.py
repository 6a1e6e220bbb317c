"""Light stemming: one form for the endings that English words take in workshop notes."""

from __future__ import annotations

from functools import lru_cache

# Their ending belongs to them: a bearing is not what bears, timing not what takes time.
_WHOLE = frozenset(
    "bearing timing wiring bushing spring string during ceiling evening morning always".split()
)
_HISSING = ("ches", "shes", "sses", "xes", "zes")
_VOWELS = frozenset("aeiouy")


@lru_cache(maxsize=65_536)
def stem(word: str) -> str:
    """The word without the endings -s, -ed, -ing, -ly, -y and a mute e: leaks, leaking, leaky.

    Lighter than the known stemmers: nothing is taken that makes another thing of it (a starter
    is not a start, leakage stays). Words of fewer than four letters, with digits, or with letters
    beyond a to z come back as they are.
    """
    if len(word) < 4 or not (word.isascii() and word.isalpha()):
        return word
    word = _singular(word)
    if len(word) < 4 or word in _WHOLE:
        return word
    for ending in ("ing", "ed", "ly"):
        rest = word.removesuffix(ending)
        if rest != word and _can_stand_alone(rest) and not word.endswith("eed"):
            word = rest
            break
    if len(word) > 3 and word[-1] == word[-2] and word[-1] not in "aeiouys":
        word = word[:-1]
    if len(word) > 4 and word[-1] in "eyi":
        word = word[:-1]
    return word


def is_base(word: str) -> bool:
    """Whether the word has no ending that says how often or when: leak, noise, but not leaks."""
    short = stem(word)
    return word in (short, short + "e", short + "y", short + short[-1:])


def _singular(word: str) -> str:
    if not word.endswith("s") or word.endswith("ss"):
        return word
    if word.endswith("ies") and len(word) > 4:
        return word[:-3] + "y"
    return word[:-2] if word.endswith(_HISSING) else word[:-1]


def _can_stand_alone(rest: str) -> bool:
    return len(rest) >= 3 and not _VOWELS.isdisjoint(rest)
