"""Invented words: concepts with synonyms, endings and slips of the finger."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

ONSETS = "b d f g h k l m n p r s t v w br dr fl gr kl pl sk st tr".split()
VOWELS = "a e i o u ai ea oo".split()
CODAS = ["", "", "n", "r", "s", "t", "l", "k", "nd", "rt", "m"]
ENDINGS = ["", "", "", "s", "ing", "ed"]
LETTERS = "abcdefghiklmnoprstuvw"


def invent_word(rng: np.random.Generator) -> str:
    syllables = int(rng.integers(1, 4))
    word = "".join(
        str(rng.choice(ONSETS)) + str(rng.choice(VOWELS)) + str(rng.choice(CODAS))
        for _ in range(syllables)
    )
    return word if len(word) > 3 else word + invent_word(rng)


def misspell(word: str, rng: np.random.Generator) -> str:
    """One slip: a letter lost, doubled, swapped with the next or replaced."""
    at = int(rng.integers(1, len(word) - 1))
    slip = int(rng.integers(4))
    if slip == 0:
        return word[:at] + word[at + 1 :]
    if slip == 1:
        return word[:at] + word[at] + word[at:]
    if slip == 2:
        return word[:at] + word[at + 1] + word[at] + word[at + 2 :]
    return word[:at] + str(rng.choice(list(LETTERS))) + word[at + 1 :]


@dataclass(frozen=True)
class Language:
    """synonyms: of each concept, one to three words; no word belongs to two concepts."""

    synonyms: list[list[str]]

    @classmethod
    def invent(cls, concepts: int, rng: np.random.Generator) -> Language:
        taken: set[str] = set()
        synonyms = []
        for _ in range(concepts):
            words: list[str] = []
            for _ in range(int(rng.integers(1, 4))):
                word = invent_word(rng)
                while word in taken:
                    word = invent_word(rng)
                taken.add(word)
                words.append(word)
            synonyms.append(words)
        return cls(synonyms)

    def favourites(self, rng: np.random.Generator) -> list[int]:
        """The synonym that somebody mostly uses, of each concept."""
        return [int(rng.integers(len(words))) for words in self.synonyms]

    def say(
        self,
        concept: int,
        favourites: list[int],
        slip_rate: float,
        rng: np.random.Generator,
    ) -> str:
        words = self.synonyms[concept]
        usual = rng.random() < 0.8
        word = words[favourites[concept] if usual else int(rng.integers(len(words)))]
        word += str(rng.choice(ENDINGS))
        return misspell(word, rng) if rng.random() < slip_rate else word
