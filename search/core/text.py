"""Reads workshop prose: folding, splitting, a trade table of replacements, endings."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import NamedTuple

from search.core.stemming import is_base, stem

_TOKEN = re.compile(r"[^\W_]+(?:['’./&-][^\W_]+)*")
_JOINER = re.compile(r"[./&-]")
_DECIMAL = re.compile(r"\d+[.]\d+")
# A number written together with its unit; "3rd" or "300c" are names, not quantities.
_QUANTITY = re.compile(r"(\d+(?:[.]\d+)?)(rpm|km|kmh|mph|mi|psi|kpa|bar|mm|nm|ml|v|mv|ohm|ohms|l)")
# Signs of single letters, and a letter before a name: l/h, n.s, o-ring, u-joint.
_SIGN = re.compile(r"[^\W\d_](?:[./&-][^\W\d_])+|[^\W\d_]-[^\W\d_]+")
# A shorter word written apart may well be two: "a c", "re do".
_SHORTEST_JOINED = 5
# Words, and pairs of them, whose reading is remembered; beyond that, memory is begun anew.
_MOST_REMEMBERED = 200_000


class Token(NamedTuple):
    """A word as it is compared (its stem), as it is spelt in full, and as it was written."""

    word: str
    said: str
    spelt: str


def fold(text: str) -> str:
    """Lower case without accents: "Öl" and "ol", "CAFÉ" and "cafe" are the same."""
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    return "".join(ch for ch in decomposed if not unicodedata.combining(ch)).replace("’", "'")


@lru_cache(maxsize=65_536)
def squeeze(text: str) -> str:
    """Letters and digits only: "KX-7", "kx 7" and "KX7" are the same name."""
    return "".join(ch for ch in fold(text) if ch.isalnum())


class Piece(NamedTuple):
    """A word between blanks and signs, before the trade table: folded, and as it was written."""

    spelt: str
    said: str


class Normaliser:
    """Turns text into tokens, replacing trade shorthand.

    replacements: written form -> what it means, one or more words each; "" drops the word. The
    longest written form wins; a replacement is not replaced again. A written form of several
    words or with a sign in it is also known when written together ("camshaft sensor",
    "cam-belt"), and one word also when written as two ("hand brake").
    """

    def __init__(self, replacements: Mapping[str, str]) -> None:
        self._whole: set[str] = set()
        self._pieces: dict[str, tuple[Piece, ...]] = {}
        self._reaches: dict[tuple[str, str], int] = {}
        self._tokens: dict[Piece, tuple[Token, ...]] = {}
        self._table: dict[tuple[str, ...], tuple[str, ...]] = {}
        # "a/c" is one sign; its pieces mean nothing by themselves. Signs come first: the other
        # forms are split by them.
        for found in map(_TOKEN.findall, replacements):
            if len(found) == 1 and _JOINER.search(found[0]):
                self._whole.add(fold(found[0]))
        for written, meant in replacements.items():
            words = tuple(piece.spelt for piece in self.split(written))
            if words:
                self._table[words] = tuple(piece.spelt for piece in self.split(meant))
        for words, meaning in list(self._table.items()):
            together = squeeze("".join(words))
            if len(together) >= _SHORTEST_JOINED:
                self._table.setdefault((together,), meaning)
        self._words = {word for words in self._table for word in words}
        self._words |= {word for meant in self._table.values() for word in meant}
        # Other forms of what is written: "howled" where the table has "howl".
        self._stems: dict[tuple[str, ...], tuple[str, ...]] = {}
        for words, meaning in self._table.items():
            if all(is_base(word) for word in words):
                self._stems.setdefault(tuple(map(stem, words)), meaning)
        # Two words that begin longer forms, and how long the longest is: most begin none.
        self._begun, self._begun_stems = _beginnings(self._table), _beginnings(self._stems)
        self._single = {words[0]: m for words, m in self._table.items() if len(words) == 1}
        self._single_stems = {words[0]: m for words, m in self._stems.items() if len(words) == 1}

    def read(self, text: str) -> list[Token]:
        """Tokens in the order of the text."""
        return self.interpret(self.split(text))

    def interpret(self, pieces: Iterable[Piece]) -> list[Token]:
        """What the pieces of a text mean, in their order."""
        given = list(pieces)
        spelt = [piece.spelt for piece in given]
        out: list[Token] = []
        at, last = 0, len(given) - 1
        # Looked up here, without a call, for nearly all words were met before.
        reaches, tokens = self._reaches.get, self._tokens.get
        while at <= last:
            longest: int | None = 0
            if at < last:
                pair = spelt[at], spelt[at + 1]
                longest = reaches(pair)
                if longest is None:
                    longest = self._reach(pair)
            piece = given[at]
            if not longest:
                out += tokens(piece) or self._read_alone(piece)
                at += 1
                continue
            length, meant = self._match(given, at, min(longest, last + 1 - at))
            said = " ".join(dict.fromkeys(piece.said for piece in given[at : at + length]))
            words = (piece.spelt,) if meant is None else meant
            out.extend(Token(stem(word), said, word) for word in words)
            at += length
        return out

    def _reach(self, pair: tuple[str, str]) -> int:
        """How long the longest form is that may begin with these two words; 0 for none."""
        if len(self._reaches) >= _MOST_REMEMBERED:
            self._reaches = {}  # a new one: another thread may just be reading
        one, two = pair
        reach = self._reaches[pair] = max(
            self._begun.get(pair, 0),
            self._begun_stems.get((stem(one), stem(two)), 0),
            0 if self._match_joined(one, two) is None else 2,
        )
        return reach

    def _read_alone(self, piece: Piece) -> tuple[Token, ...]:
        tokens = self._tokens.get(piece)
        if tokens is None:
            if len(self._tokens) >= _MOST_REMEMBERED:
                self._tokens = {}
            meant = self.meaning(piece.spelt)
            words = (piece.spelt,) if meant is None else meant
            tokens = tuple(Token(stem(word), piece.said, word) for word in words)
            self._tokens[piece] = tokens
        return tokens

    def explains(self, word: str) -> bool:
        """Whether the table has the word: alone, within a longer form, or in a meaning."""
        return word in self._words

    def meaning(self, word: str) -> tuple[str, ...] | None:
        """What the table says of a single word; None where it says nothing."""
        meant = self._single.get(word)
        return self._single_stems.get(stem(word)) if meant is None else meant

    def _look_up(self, words: tuple[str, ...]) -> tuple[str, ...] | None:
        if len(words) == 1:
            return self.meaning(words[0])
        meant = self._table.get(words)
        return self._stems.get(tuple(map(stem, words))) if meant is None else meant

    def _match(
        self, pieces: list[Piece], at: int, longest: int
    ) -> tuple[int, tuple[str, ...] | None]:
        for length in range(longest, 0, -1):
            meant = self._look_up(tuple([p.spelt for p in pieces[at : at + length]]))
            if meant is None and length == 2:
                meant = self._match_joined(pieces[at].spelt, pieces[at + 1].spelt)
            if meant is not None:
                return length, meant
        return 1, None

    def _match_joined(self, one: str, two: str) -> tuple[str, ...] | None:
        if min(len(one), len(two)) < 2 or len(one) + len(two) < _SHORTEST_JOINED:
            return None
        return self.meaning(one + two)

    def split(self, text: str) -> list[Piece]:
        """Words and quantities, before anything is replaced."""
        return [piece for said in _TOKEN.findall(text) for piece in self._split_once(said)]

    def _split_once(self, said: str) -> tuple[Piece, ...]:
        pieces = self._pieces.get(said)
        if pieces is None:
            if len(self._pieces) >= _MOST_REMEMBERED:
                self._pieces = {}
            pieces = tuple(piece for piece in self._split_word(said) if piece.spelt)
            self._pieces[said] = pieces
        return pieces

    def _split_word(self, said: str) -> Iterator[Piece]:
        folded = fold(said)
        if folded in self._whole or _DECIMAL.fullmatch(folded):
            yield Piece(folded, said)
            return
        if _SIGN.fullmatch(folded):
            yield Piece(squeeze(folded), said)
            return
        # "12.5V" is one quantity; "idle.Then" is two words.
        for part in [said] if _QUANTITY.fullmatch(folded) else _JOINER.split(said):
            word = fold(part)
            quantity = _QUANTITY.fullmatch(word)
            if quantity:
                yield from (Piece(group, part) for group in quantity.groups())
            else:
                # The customer's van, but won't like wont.
                yield Piece(word.removesuffix("'s").replace("'", ""), part)


def _beginnings(forms: Iterable[tuple[str, ...]]) -> dict[tuple[str, str], int]:
    """The first two words of forms of several words, and the length of the longest such form."""
    out: dict[tuple[str, str], int] = {}
    for words in forms:
        if len(words) > 1:
            pair = words[0], words[1]
            out[pair] = max(out.get(pair, 0), len(words))
    return out


def letter_groups(word: str, size: int) -> list[str]:
    """Overlapping groups of `size` letters of a word with its ends marked: _cl clu lut …

    A slip of the finger spoils `size` groups and leaves the others. Numbers have none: 141 and
    142 are two quantities, not two spellings.
    """
    if len(word) < 3 or not any(ch.isalpha() for ch in word):
        return []
    marked = f"_{word}_"
    return [marked[i : i + size] for i in range(len(marked) - size + 1)]
