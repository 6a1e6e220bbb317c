"""Gathers cases for a segment: features as local numbers, values not yet scaled.

Reading a million cases is mostly reading the same words, vehicles and codes again, so what they
come to is remembered: the groups of letters of a word, and what a block made of the same evidence.
Cases are kept in pieces of plain arrays, so that nothing ever needs all of them twice.
"""

from __future__ import annotations

from array import array
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from search.core.blocks.cures import Cures, raw_features
from search.core.blocks.text import Letters, Text, WordPairs, Words
from search.core.reading import SLOT_BITS, Bag, Block
from search.core.text import Token, letter_groups
from search.core.vectoriser import Statistics, Vectoriser, idf

# What is remembered of evidence, per block; beyond that, memory is begun anew.
MOST_REMEMBERED = 200_000
# Arrays of so many cases are too large for the heap, which would not give them back.
PIECE_CASES = 100_000
SLICE_CASES = 10_000  # for what needs several times the room


class _Read(NamedTuple):
    """What a block made of some evidence. more_mass: of features whose mass isn't 1, the rest."""

    bits: int
    terms: array[int]
    values: array[float]
    more_mass: tuple[tuple[int, float], ...]


@dataclass(slots=True)
class Piece:
    """Some cases. terms, values: shape (postings,); ends: where each case's end, shape (cases,)."""

    terms: NDArray[np.int32]
    values: NDArray[np.float32]
    ends: NDArray[np.int64]


class Collector:
    """Cases as rows of raw features. numbers: of the features, in the order of first sight."""

    def __init__(self, vectoriser: Vectoriser, *, piece_cases: int = PIECE_CASES) -> None:
        self._vectoriser = vectoriser
        self._piece_cases = piece_cases
        self.numbers: dict[str, int] = {}
        self.bag_slots: list[str] = [
            block.slot if isinstance(block, Bag) else "" for block in vectoriser.blocks
        ]
        self.block_of = array("b")  # per feature
        self.slots = array("I")
        self.kinds: list[str | None] = []
        self.clusters = array("q")
        self._pieces: list[Piece] = []
        self._more_mass: dict[int, float] = {}  # of features whose mass isn't 1 a case
        # The piece being filled: what is not text, and the tokens of the texts.
        self._terms, self._values, self._ends = array("i"), array("f"), array("q")
        self._said, self._said_ends = array("i"), array("q")
        blocks = list(enumerate(vectoriser.blocks))
        self._texts = [(n, block) for n, block in blocks if isinstance(block, Text)]
        self._others = [(n, block, _Memory()) for n, block in blocks if not isinstance(block, Text)]
        self._text_bits = 0
        for _, text in self._texts:
            self._text_bits |= SLOT_BITS[text.slot]
        self._token_numbers: dict[Token, int] = {}
        self._tokens: list[Token] = []

    def add(self, case: Mapping[str, Any]) -> None:
        bits = 0
        terms, values = self._terms, self._values
        for number, block, memory in self._others:
            for key, part in block.evidence(case):
                read = None if key is None else memory.get(key)
                if read is None:
                    read = self._read(number, block, part)
                    if key is not None:
                        memory.put(key, read)
                bits |= read.bits
                terms.extend(read.terms)
                values.extend(read.values)
                for term, more in read.more_mass:
                    self._more_mass[term] = self._more_mass.get(term, 0.0) + more
        tokens = self._vectoriser.view(case).tokens
        if tokens:
            bits |= self._text_bits
            known = self._token_numbers
            try:
                self._said.extend([known[token] for token in tokens])
            except KeyError:
                self._said.extend([self._token_number(token) for token in tokens])
        self._ends.append(len(terms))
        self._said_ends.append(len(self._said))
        self.slots.append(bits)
        self.kinds.append(case.get("unit_kind"))
        self.clusters.append(int(case.get("cluster") or 0))
        if len(self._ends) >= self._piece_cases:
            self._close_piece()

    def _number(self, block: int, name: str) -> int:
        number = self.numbers.get(name)
        if number is None:
            number = self.numbers[name] = len(self.numbers)
            self.block_of.append(block)
        return number

    def _token_number(self, token: Token) -> int:
        number = self._token_numbers.setdefault(token, len(self._tokens))
        if number == len(self._tokens):
            self._tokens.append(token)
        return number

    def _read(self, number: int, block: Block, part: Mapping[str, Any]) -> _Read:
        view = self._vectoriser.view(part)
        bits = 0
        for slot in block.slots(view):
            bits |= SLOT_BITS[slot]
        terms, values, more_mass = array("i"), array("f"), []
        for _, (name, value, mass) in raw_features((block,), view):
            term = self._number(number, name)
            terms.append(term)
            values.append(value)
            if mass != 1.0:
                more_mass.append((term, mass - 1.0))
        return _Read(bits, terms, values, tuple(more_mass))

    # --- Pieces -------------------------------------------------------------------------------

    @property
    def pieces(self) -> list[Piece]:
        """All cases, in their order."""
        if len(self._ends):
            self._close_piece()
        return self._pieces

    def _close_piece(self) -> None:
        ends = np.array(self._ends, dtype=np.int64)
        said = np.array(self._said, dtype=np.int64)
        said_ends = np.array(self._said_ends, dtype=np.int64)
        counted = [self._text_features(n, block, said, said_ends) for n, block in self._texts]
        width = len(self.numbers)
        whole = csr_rows(
            np.array(self._terms, dtype=np.int32),
            np.array(self._values, dtype=np.float32),
            np.concatenate([[0], ends]),
            width,
        )
        for features, row_ends in counted:
            counts = csr_rows(
                features.astype(np.int32),
                np.ones(len(features), dtype=np.float32),
                np.concatenate([[0], row_ends]),
                width,
            )
            counts.sum_duplicates()
            counts.data = (1.0 + np.log(counts.data.astype(np.float64))).astype(np.float32)
            whole = _side_by_side(whole, counts)
        self._pieces.append(Piece(whole.indices, whole.data, whole.indptr[1:].astype(np.int64)))
        self._terms, self._values, self._ends = array("i"), array("f"), array("q")
        self._said, self._said_ends = array("i"), array("q")
        self._token_numbers, self._tokens = {}, []

    def _text_features(
        self, number: int, block: Text, said: NDArray[np.int64], ends: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Features of the tokens `said`, one for each time, and where each case's end."""
        if isinstance(block, Words):
            words = [self._number(number, block.key(token.word)) for token in self._tokens]
            return np.array(words, dtype=np.int64)[said], ends
        if isinstance(block, Letters):
            return self._letters(number, block, said, ends)
        if isinstance(block, WordPairs):
            return self._word_pairs(number, block, said, ends)
        raise TypeError(f"no way to collect {block.name}")

    def _letters(
        self, number: int, block: Letters, said: NDArray[np.int64], ends: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        groups = [
            [self._number(number, block.key(group)) for group in letter_groups(spelt, block.size)]
            for _, _, spelt in self._tokens
        ]
        lengths = np.array([len(group) for group in groups], dtype=np.int64)
        flat = np.array([feature for group in groups for feature in group], dtype=np.int64)
        first = np.cumsum(lengths) - lengths
        taken = lengths[said]
        upto = np.concatenate([[0], np.cumsum(taken)])
        at = np.arange(upto[-1]) + np.repeat(first[said] - upto[:-1], taken)
        return flat[at], upto[ends]

    def _word_pairs(
        self, number: int, block: WordPairs, said: NDArray[np.int64], ends: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        words: dict[str, int] = {}
        places = [words.setdefault(token.word, len(words)) for token in self._tokens]
        spoken = np.array(places, dtype=np.int64)[said]
        follows = np.ones(max(len(said) - 1, 0), dtype=bool)
        inner = ends[(ends > 0) & (ends < len(said))]
        follows[inner - 1] = False  # the last word of a case and the first of the next
        pairs = (spoken[:-1] * len(words) + spoken[1:])[follows]
        known, which = np.unique(pairs, return_inverse=True)
        names = list(words)
        features = [
            self._number(number, block.key(names[one], names[two]))
            for one, two in zip(
                *(part.tolist() for part in divmod(known, len(names) or 1)), strict=True
            )
        ]
        upto = np.concatenate([[0], np.cumsum(follows), [follows.sum()]])
        return np.array(features, dtype=np.int64)[which], upto[ends]

    # --- What was collected -------------------------------------------------------------------

    @property
    def lengths(self) -> NDArray[np.int64]:
        """How many features each case has, shape (cases,)."""
        parts = [np.diff(piece.ends, prepend=np.int64(0)) for piece in self.pieces]
        return np.concatenate([np.empty(0, np.int64), *parts])

    @property
    def mass(self) -> NDArray[np.float64]:
        """df of each feature, shape (features,)."""
        pieces, out = self.pieces, np.zeros(len(self.numbers))
        for piece in pieces:
            out += np.bincount(piece.terms, minlength=len(out))
        for term, more in self._more_mass.items():
            out[term] += more
        return out

    def raw_rows(self) -> csr_array:
        """Cases x features as read, before any scaling."""
        return self._joined([piece.values for piece in self.pieces])

    def scaled_rows(self, statistics: Statistics) -> csr_array:
        """Cases x features as they are stored: bags times idf at unit length, items as read."""
        factors = self.factors(statistics)
        return self._joined([self.scaled(piece, factors) for piece in self.pieces])

    def _joined(self, values: list[NDArray[np.float32]]) -> csr_array:
        starts = np.concatenate([[0], np.cumsum(self.lengths)])
        terms = np.concatenate([np.empty(0, np.int32), *(piece.terms for piece in self.pieces)])
        joined = np.concatenate([np.empty(0, np.float32), *values])
        return csr_rows(terms, joined, starts, len(self.numbers))

    def add_profiles(self) -> None:
        """What would probably cure each case: more features at the end of its row. Once, when
        all cases are there."""
        model, pieces = self._vectoriser.design.cures, self.pieces
        if model is None:
            return
        block = next(
            number for number, b in enumerate(self._vectoriser.blocks) if isinstance(b, Cures)
        )
        bits = np.array(self.slots, dtype=np.uint32)
        clusters = np.array(self.clusters, dtype=np.int64)
        numbers = dict(self.numbers)  # without the profiles of earlier pieces
        first = 0
        for piece in pieces:
            cases = slice(first, first + len(piece.ends))
            first = cases.stop
            raw = csr_rows(
                piece.terms, piece.values, np.concatenate([[0], piece.ends]), len(numbers)
            )
            profiles = model.profiles(raw, numbers, self.kinds[cases], clusters[cases])
            place = np.zeros(profiles.shape[1], dtype=np.int32)
            for column in np.unique(profiles.indices).tolist():
                place[column] = self._number(block, Cures.key_of(model.feature_names[column]))
            more = csr_rows(
                place[profiles.indices],
                profiles.data.astype(np.float32),
                profiles.indptr.astype(np.int64),
                len(self.numbers),
            )
            whole = _side_by_side(raw, more)
            piece.terms, piece.values = whole.indices, whole.data
            piece.ends = whole.indptr[1:].astype(np.int64)
            bits[cases][np.diff(profiles.indptr) > 0] |= np.uint32(SLOT_BITS["cures"])
        self.slots = array("I", bits.tobytes())

    def take_scaled(self, statistics: Statistics) -> Iterator[Piece]:
        """All cases with their stored values, some at a time, in order; pieces are let go of.
        Nothing can be added or asked any more."""
        factors = self.factors(statistics)
        pieces, self._pieces = self.pieces[::-1], []
        self.numbers, self._token_numbers = {}, {}
        for _, _, memory in self._others:
            memory.clear()
        while pieces:
            yield from self._scaled_slices(pieces.pop(), factors)

    def factors(self, statistics: Statistics) -> NDArray[np.float64]:
        """What the raw values of each feature are multiplied by before lengths are made 1."""
        blocks = np.frombuffer(self.block_of, dtype=np.int8)
        masses = statistics.masses(list(self.numbers))
        factors = np.ones(len(blocks))
        for number, slot in enumerate(self.bag_slots):
            if slot:
                of_block = blocks == number
                factors[of_block] = idf(statistics.slot_count(slot), masses[of_block])
        return factors

    def scaled(self, piece: Piece, factors: NDArray[np.float64]) -> NDArray[np.float32]:
        slices = [part.values for part in self._scaled_slices(piece, factors)]
        return np.concatenate([np.empty(0, np.float32), *slices])

    def _scaled_slices(self, piece: Piece, factors: NDArray[np.float64]) -> Iterator[Piece]:
        is_bag = np.array([bool(slot) for slot in self.bag_slots])
        block_of = np.frombuffer(self.block_of, dtype=np.int8).astype(np.int64)
        begin = 0
        for first in range(0, len(piece.ends), SLICE_CASES):
            ends = piece.ends[first : first + SLICE_CASES]
            terms, values = piece.terms[begin : ends[-1]], piece.values[begin : ends[-1]]
            ends = ends - begin
            begin += int(ends[-1])
            blocks = block_of[terms]
            row = np.repeat(np.arange(len(ends)), np.diff(ends, prepend=np.int64(0)))
            group = row * len(is_bag) + blocks
            scaled = values * factors[terms]
            lengths = np.sqrt(np.bincount(group, weights=scaled * scaled))
            scaled = np.where(is_bag[blocks], scaled / lengths[group], scaled)
            yield Piece(terms, scaled.astype(np.float32), ends)


class _Memory:
    """What a block made of evidence."""

    def __init__(self) -> None:
        self._seen: dict[Hashable, _Read] = {}
        self.get = self._seen.get

    def put(self, key: Hashable, read: _Read) -> None:
        if len(self._seen) >= MOST_REMEMBERED:
            self._seen.clear()
        self._seen[key] = read

    def clear(self) -> None:
        self._seen.clear()


def csr_rows(
    terms: NDArray[np.int32],
    values: NDArray[np.float32],
    starts: NDArray[np.int64],
    width: int,
) -> csr_array:
    """Without a copy, as long as 32 bits will do: scipy wants both numbers of one width."""
    if starts[-1] <= np.iinfo(np.int32).max:
        starts = starts.astype(np.int32)
    return csr_array((values, terms, starts), shape=(len(starts) - 1, width))


def _side_by_side(left: csr_array, right: csr_array) -> csr_array:
    """Rows of one followed by rows of the other, over the columns of the other."""
    ends = left.indptr.astype(np.int64) + right.indptr
    indices = np.empty(int(ends[-1]), dtype=np.int32)
    data = np.empty(int(ends[-1]), dtype=np.float32)
    for part, shift in ((left, right.indptr[:-1]), (right, left.indptr[1:])):
        at = np.arange(part.nnz) + np.repeat(shift.astype(np.int64), np.diff(part.indptr))
        indices[at], data[at] = part.indices, part.data
    return csr_rows(indices, data, ends, right.shape[1])
