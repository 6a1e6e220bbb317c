"""Reads workshop prose: folding, splitting, and a trade table of replacements."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import NamedTuple

_TOKEN = re.compile(r"[^\W_]+(?:['’./&-][^\W_]+)*")
_JOINER = re.compile(r"['’./&-]")
_DECIMAL = re.compile(r"\d+[.]\d+")
# A number written together with its unit; "3rd" or "300c" are names, not quantities.
_QUANTITY = re.compile(r"(\d+(?:[.]\d+)?)(rpm|km|kmh|mph|mi|psi|kpa|bar|mm|nm|ml|v|mv|ohm|ohms|l)")


class Token(NamedTuple):
    """A word as it is compared and as it was written."""

    word: str
    said: str


def fold(text: str) -> str:
    """Lower case without accents: "Öl" and "ol", "CAFÉ" and "cafe" are the same."""
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    return "".join(ch for ch in decomposed if not unicodedata.combining(ch)).replace("’", "'")


def squeeze(text: str) -> str:
    """Letters and digits only: "KX-7", "kx 7" and "KX7" are the same name."""
    return "".join(ch for ch in fold(text) if ch.isalnum())


class Normaliser:
    """Turns text into tokens, replacing trade shorthand.

    replacements: written form -> what it means, one or more words each; "" drops the word. The
    longest written form wins; a replacement is not replaced again.
    """

    def __init__(self, replacements: Mapping[str, str]) -> None:
        self._whole: set[str] = set()
        self._table: dict[tuple[str, ...], tuple[str, ...]] = {}
        for written, meant in replacements.items():
            words = tuple(token.word for token in self._split(written))
            target = tuple(token.word for token in self._split(meant))
            joined = _TOKEN.findall(written)
            if len(joined) == 1 and _JOINER.search(joined[0]):
                # "a/c" is one sign; its pieces mean nothing by themselves.
                self._whole.add(fold(joined[0]))
                words = (fold(joined[0]),)
            if words:
                self._table[words] = target
        self._longest = max(map(len, self._table), default=1)

    def read(self, text: str) -> list[Token]:
        """Tokens in the order of the text."""
        tokens = list(self._split(text))
        out: list[Token] = []
        at = 0
        while at < len(tokens):
            length, meant = self._match(tokens, at)
            if meant is None:
                out.append(tokens[at])
            else:
                said = " ".join(dict.fromkeys(t.said for t in tokens[at : at + length]))
                out.extend(Token(word, said) for word in meant)
            at += length
        return out

    def _match(self, tokens: list[Token], at: int) -> tuple[int, tuple[str, ...] | None]:
        for length in range(min(self._longest, len(tokens) - at), 0, -1):
            meant = self._table.get(tuple(t.word for t in tokens[at : at + length]))
            if meant is not None:
                return length, meant
        return 1, None

    def _split(self, text: str) -> Iterator[Token]:
        for said in _TOKEN.findall(text):
            folded = fold(said)
            if folded in self._whole or _DECIMAL.fullmatch(folded):
                yield Token(folded, said)
                continue
            # "12.5V" is one quantity; "idle.Then" is two words.
            pieces = [said] if _QUANTITY.fullmatch(folded) else _JOINER.split(said)
            for piece in pieces:
                word = fold(piece)
                quantity = _QUANTITY.fullmatch(word)
                if quantity:
                    yield from (Token(part, piece) for part in quantity.groups())
                elif word and not (word == "s" and piece != said):  # the s of "customer's"
                    yield Token(word, piece)


def letter_groups(word: str, size: int) -> list[str]:
    """Overlapping groups of `size` letters of a word with its ends marked: _cl clu lut …

    A slip of the finger spoils `size` groups and leaves the others. Numbers have none: 141 and
    142 are two quantities, not two spellings.
    """
    if len(word) < 3 or not any(ch.isalpha() for ch in word):
        return []
    marked = f"_{word}_"
    return [marked[i : i + size] for i in range(len(marked) - size + 1)]
