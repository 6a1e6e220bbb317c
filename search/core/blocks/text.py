"""What driver and technician say: words, pairs of them, groups of letters."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise

from search.core.reading import Bag, View
from search.core.text import letter_groups


class Text(Bag):
    """The complaint, one way or another."""

    part = "text"
    slot = "text"

    def slots(self, view: View) -> list[str]:
        return ["text"] if view.tokens else []


class Words(Text):
    name = "words"

    def strengths(self, view: View) -> dict[str, float]:
        counts = Counter(token.word for token in view.tokens)
        return {self.key(word): 1.0 + math.log(count) for word, count in counts.items()}

    def spoken(self, view: View) -> dict[str, str]:
        return {self.key(token.word): token.said for token in reversed(view.tokens)}


def word_feature(word: str) -> str:
    """Under which the cases with a word are found."""
    return f"{Words.name}:{word}"


class WordPairs(Text):
    """Neighbouring words: "no drive" is not "no … drive"."""

    name = "word_pairs"

    def strengths(self, view: View) -> dict[str, float]:
        counts = Counter((one.word, two.word) for one, two in pairwise(view.tokens))
        return {self.key(*pair): 1.0 + math.log(count) for pair, count in counts.items()}

    def spoken(self, view: View) -> dict[str, str]:
        return {}  # its words have been shown as words


class Letters(Text):
    """Groups of letters within words, so that misspellings meet what was meant."""

    name = "letters"
    told_from = 0.5

    def __init__(self, size: int) -> None:
        self.size = size

    def strengths(self, view: View) -> dict[str, float]:
        counts = Counter(
            group for token in view.tokens for group in letter_groups(token.spelt, self.size)
        )
        return {self.key(group): 1.0 + math.log(count) for group, count in counts.items()}

    def spoken(self, view: View) -> dict[str, str]:
        return {
            self.key(group): token.said
            for token in reversed(view.tokens)
            for group in letter_groups(token.spelt, self.size)
        }
