"""Reads a query's words as the cases spell them: slips of the finger, words run together or apart.

Cases keep their own spelling (groups of letters let those meet). A query's word that hardly any
case has, while one slip away from it stands a word that many have, is read as that word.
Source of the approach (words one slip away, the most frequent wins): P. Norvig, "How to Write a
Spelling Corrector", 2007 (from memory, not verified).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from string import ascii_lowercase

import numpy as np
from numpy.typing import NDArray

from search.core.stemming import stem
from search.core.text import Normaliser, Piece, Token

# In how many cases each of these stems stands; shape (words,).
Counts = Callable[[list[str]], NDArray[np.float64]]

SHORTEST, LONGEST = 4, 24
# Of a few letters, too many words are one slip away from each other: belt and felt.
SHORTEST_OTHER_LETTER = 5
# A word so many times rarer than its neighbour is a slip, even where others slipped alike; the
# likelier the slip, the less is asked.
TIMES_RARER = 5_000
# How likely slips are beside any other letter lost, added or put for another (by judgement).
SWAPPED, DOUBLED, NEXT_KEY = 50.0, 50.0, 10.0
# A slip seldom hits the first letter.
FIRST_LETTER_LOST = 0.05
# What a query may cost: long texts have their slips among many good words.
MOST_WORDS = 8
_ROWS = ("qwertyuiop", "asdfghjkl", "zxcvbnm")


def read_as_known(
    normaliser: Normaliser,
    text: str,
    counts: Counts,
    among: float,
    with_newer: Counts | None = None,
) -> list[Token]:
    """Tokens of a query; `said` is what the user wrote.

    among: number of cases. with_newer: counts that know the words of newer cases too, dearer to
    ask; only the text's own words are looked up there.
    """
    pieces = _join(normaliser, normaliser.split(text), counts)
    doubtful = _doubtful(normaliser, pieces, with_newer or counts, among)
    if doubtful:
        read = {word: _best(normaliser, word, count, counts) for word, count in doubtful.items()}
        pieces = [
            Piece(word, piece.said)
            for piece in pieces
            for word in read.get(piece.spelt, (piece.spelt,))
        ]
    return normaliser.interpret(pieces)


def _join(normaliser: Normaliser, pieces: list[Piece], counts: Counts) -> list[Piece]:
    """Two pieces become one where trade or cases know them as one word more than as two."""
    places = [at for at in range(len(pieces) - 1) if _can_be_one(*pieces[at : at + 2])]
    if not places:
        return pieces
    together = [pieces[at].spelt + pieces[at + 1].spelt for at in places]
    apart = [pieces[at].spelt for at in places] + [pieces[at + 1].spelt for at in places]
    joined = _frequency(normaliser, together, counts)
    rarer = np.minimum(*np.split(np.array(_frequency(normaliser, apart, counts)), 2)).tolist()
    chosen = {
        at
        for at, word, as_one, as_two in zip(places, together, joined, rarer, strict=True)
        if as_one > as_two or (as_one > 0 and normaliser.explains(word))
    }
    out: list[Piece] = []
    at = 0
    while at < len(pieces):
        if at in chosen:
            one, two = pieces[at : at + 2]
            out.append(Piece(one.spelt + two.spelt, f"{one.said} {two.said}"))
        else:
            out.append(pieces[at])
        at += 2 if at in chosen else 1
    return out


def _can_be_one(one: Piece, two: Piece) -> bool:
    return (
        min(len(one.spelt), len(two.spelt)) >= 2
        and len(one.spelt) + len(two.spelt) >= SHORTEST_OTHER_LETTER
        and (one.spelt + two.spelt).isalpha()
    )


def _doubtful(
    normaliser: Normaliser, pieces: Sequence[Piece], counts: Counts, among: float
) -> dict[str, float]:
    words = list(
        dict.fromkeys(
            piece.spelt
            for piece in pieces
            if SHORTEST <= len(piece.spelt) <= LONGEST
            and piece.spelt.isalpha()
            and not normaliser.explains(piece.spelt)
        )
    )
    if not words:
        return {}
    found = zip(words, counts([stem(word) for word in words]).tolist(), strict=True)
    rare = {word: count for word, count in found if count * TIMES_RARER <= among * SWAPPED}
    return dict(list(rare.items())[:MOST_WORDS])


def _best(normaliser: Normaliser, word: str, count: float, counts: Counts) -> tuple[str, ...]:
    slips: dict[str, float] = {}
    for candidate, likely in one_slip_away(word):
        slips[candidate] = max(likely, slips.get(candidate, 0.0))
    halves = [(word[:at], word[at:]) for at in range(3, len(word) - 2)]
    names = list(slips) + [half for pair in halves for half in pair]
    frequent = dict(zip(names, _frequency(normaliser, names, counts), strict=True))
    best: tuple[float, tuple[str, ...]] = (0.0, (word,))
    for candidate, likely in slips.items():
        score = frequent[candidate] * likely
        if score > best[0] and score >= TIMES_RARER * count:
            best = score, (candidate,)
    for pair in halves if best[0] == 0 else ():
        rarer = min(frequent[half] for half in pair)
        if rarer > best[0] and rarer >= TIMES_RARER * count:
            best = rarer, pair
    return best[1]


def _frequency(normaliser: Normaliser, words: Sequence[str], counts: Counts) -> list[float]:
    """How many cases have each word, or the rarest word of what the trade table makes of it."""
    meanings = [normaliser.meaning(word) for word in words]
    # Most words mean themselves; what is left is few.
    asked = [stem(meant[0] if meant else word) for word, meant in zip(words, meanings, strict=True)]
    found: list[float] = counts(asked).tolist()
    for place, meant in enumerate(meanings):
        if meant and len(meant) > 1:
            found[place] = float(counts([stem(word) for word in meant]).min())
    return found


def one_slip_away(word: str) -> Iterator[tuple[str, float]]:
    """Words from which one slip leads to this one, and how likely that slip is (the usual: 1).

    A letter lost, added, or swapped with the next; of longer words also one put for another.
    """
    for at, letter in enumerate(word):
        first = FIRST_LETTER_LOST if at == 0 else 1.0
        before, after = word[:at], word[at + 1 :]
        doubled = letter in (before[-1:], after[:1])
        yield before + after, (DOUBLED if doubled else first)
        if after and letter != after[0]:
            yield before + after[0] + letter + after[1:], SWAPPED * first
        if len(word) >= SHORTEST_OTHER_LETTER:
            beside = _BESIDE[letter]
            for other in ascii_lowercase:
                if other != letter:
                    likely = NEXT_KEY if other in beside else 1.0
                    yield before + other + after, first * likely
    for at in range(len(word) + 1):
        first = FIRST_LETTER_LOST if at == 0 else 1.0
        before, after, around = word[:at], word[at:], word[max(0, at - 1) : at + 1]
        for other in ascii_lowercase:
            yield before + other + after, (DOUBLED if other in around else first)


def _beside(letter: str) -> str:
    """The letters whose keys touch this one's, on the common keyboard."""
    for row, keys in enumerate(_ROWS):
        at = keys.find(letter)
        if at >= 0:
            beside = keys[max(0, at - 1) : at + 2]
            beside += "".join(
                _ROWS[near][max(0, at - (near > row)) : at + 1 + (near < row)]
                for near in (row - 1, row + 1)
                if 0 <= near < len(_ROWS)
            )
            return beside
    return ""


_BESIDE = defaultdict(str, {letter: _beside(letter) for letter in ascii_lowercase})
