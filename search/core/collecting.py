"""Gathers cases for a segment: features as local numbers, values not yet scaled.

Reading a million cases is mostly reading the same words, vehicles and codes again, so what they
come to is remembered: the groups of letters of a word, and what a block made of the same evidence.
"""

from __future__ import annotations

import math
from array import array
from collections import Counter
from collections.abc import Hashable, Iterable, Mapping
from itertools import chain, pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from search.core.blocks.cures import Cures, raw_features
from search.core.blocks.text import Letters, Text, WordPairs, Words
from search.core.reading import SLOT_BITS, Bag, Block, View
from search.core.text import Token, letter_groups
from search.core.vectoriser import Statistics, Vectoriser, idf

# What is remembered of words and of evidence; beyond that, memory is begun anew.
MOST_REMEMBERED = 200_000
_STRENGTHS = [0.0] + [1.0 + math.log(count) for count in range(1, 256)]
_PIECE = 4_000_000  # postings looked at in one go


class _Read(NamedTuple):
    """What a block made of some evidence."""

    bits: int
    terms: array[int]
    values: array[float]


class Collector:
    """Cases as rows of raw features. numbers: of the features, in the order of first sight."""

    def __init__(self, vectoriser: Vectoriser) -> None:
        self._vectoriser = vectoriser
        self.numbers: dict[str, int] = {}
        self.bag_slots: list[str] = [
            block.slot if isinstance(block, Bag) else "" for block in vectoriser.blocks
        ]
        self.block_of = array("b")  # per feature
        self.terms = array("i")
        self.values = array("f")
        self.row_ends = array("q")
        self.slots = array("I")
        self.kinds: list[str | None] = []
        self.clusters = array("q")
        self._more_mass: dict[int, float] = {}  # of features whose mass isn't 1 a case
        self._seen: dict[tuple[int, Hashable], _Read] = {}
        self._word_numbers: dict[str, int] = {}
        self._letter_numbers: dict[str, tuple[int, ...]] = {}

    def add(self, case: Mapping[str, Any]) -> None:
        view = self._vectoriser.view(case)
        bits = 0
        for number, block in enumerate(self._vectoriser.blocks):
            if isinstance(block, Text):
                bits |= self._add_text(number, block, view.tokens)
                continue
            read = self._read(number, block, view)
            bits |= read.bits
            self.terms.extend(read.terms)
            self.values.extend(read.values)
        self.slots.append(bits)
        self.row_ends.append(len(self.terms))
        self.kinds.append(case.get("unit_kind"))
        self.clusters.append(int(case.get("cluster") or 0))

    def _number(self, block: int, name: str) -> int:
        number = self.numbers.get(name)
        if number is None:
            number = self.numbers[name] = len(self.numbers)
            self.block_of.append(block)
        return number

    def _read(self, number: int, block: Block, view: View) -> _Read:
        evidence = block.evidence(view.case)
        key = (number, evidence)
        if evidence is not None and (seen := self._seen.get(key)) is not None:
            return seen
        bits = 0
        for slot in block.slots(view):
            bits |= SLOT_BITS[slot]
        read = _Read(bits, array("i"), array("f"))
        rare_mass = False
        for _, (name, value, mass) in raw_features((block,), view):
            term = self._number(number, name)
            read.terms.append(term)
            read.values.append(value)
            if mass != 1.0:
                rare_mass = True
                self._more_mass[term] = self._more_mass.get(term, 0.0) + mass - 1.0
        if evidence is not None and not rare_mass:
            if len(self._seen) >= MOST_REMEMBERED:
                self._seen.clear()
            self._seen[key] = read
        return read

    def _add_text(self, number: int, block: Text, tokens: list[Token]) -> int:
        if not tokens:
            return 0
        if isinstance(block, Words):
            self._count([self._word_number(number, block, token.word) for token in tokens])
        elif isinstance(block, WordPairs):
            self._count([self._number(number, block.key(a[0], b[0])) for a, b in pairwise(tokens)])
        elif isinstance(block, Letters):
            groups = [self._letters(number, block, token.spelt) for token in tokens]
            self._count(chain.from_iterable(groups))
        else:
            raise TypeError(f"no way to collect {block.name}")
        return SLOT_BITS[block.slot]

    def _count(self, numbers: Iterable[int]) -> None:
        counts = Counter(numbers)
        self.terms.extend(counts)
        try:
            strengths = [_STRENGTHS[count] for count in counts.values()]
        except IndexError:
            strengths = [1.0 + math.log(count) for count in counts.values()]
        self.values.extend(strengths)

    def _word_number(self, block_number: int, block: Words, word: str) -> int:
        number = self._word_numbers.get(word)
        if number is None:
            if len(self._word_numbers) >= MOST_REMEMBERED:
                self._word_numbers.clear()
            number = self._word_numbers[word] = self._number(block_number, block.key(word))
        return number

    def _letters(self, block_number: int, block: Letters, spelt: str) -> tuple[int, ...]:
        numbers = self._letter_numbers.get(spelt)
        if numbers is None:
            if len(self._letter_numbers) >= MOST_REMEMBERED:
                self._letter_numbers.clear()
            numbers = self._letter_numbers[spelt] = tuple(
                self._number(block_number, block.key(group))
                for group in letter_groups(spelt, block.size)
            )
        return numbers

    @property
    def mass(self) -> NDArray[np.float64]:
        """df of each feature, shape (features,)."""
        terms = np.frombuffer(self.terms, dtype=np.int32)
        out = np.zeros(len(self.numbers))
        for first in range(0, len(terms), _PIECE):
            out += np.bincount(terms[first : first + _PIECE], minlength=len(out))
        for term, more in self._more_mass.items():
            out[term] += more
        return out

    def raw_rows(self) -> csr_array:
        """Cases x features as read, before any scaling."""
        return csr_array(
            (
                np.array(self.values, dtype=np.float32),
                np.array(self.terms, dtype=np.int32),
                np.concatenate([[0], np.array(self.row_ends, dtype=np.int64)]),
            ),
            shape=(len(self.row_ends), len(self.numbers)),
        )

    def add_profiles(self) -> None:
        """What would probably cure each case: more features at the end of its row. Once, when
        all cases are there."""
        model = self._vectoriser.design.cures
        if model is None:
            return
        block = next(
            number for number, b in enumerate(self._vectoriser.blocks) if isinstance(b, Cures)
        )
        raw = self.raw_rows()
        clusters = np.array(self.clusters, dtype=np.int64)
        first = len(self.numbers)
        profiles = model.profiles(raw, self.numbers, self.kinds, clusters)
        used = np.unique(profiles.indices)
        place = np.zeros(profiles.shape[1], dtype=np.int64)
        place[used] = first + np.arange(len(used))
        for column in used.tolist():
            self._number(block, Cures.key_of(model.feature_names[column]))
        more = csr_array(
            (profiles.data.astype(np.float32), place[profiles.indices], profiles.indptr),
            shape=(len(self.row_ends), len(self.numbers)),
        )
        whole = _side_by_side(raw, more)
        self.terms = array("i", whole.indices.astype(np.int32).tobytes())
        self.values = array("f", whole.data.astype(np.float32).tobytes())
        self.row_ends = array("q", whole.indptr[1:].astype(np.int64).tobytes())
        bits = np.array(self.slots, dtype=np.uint32)
        bits[np.diff(profiles.indptr) > 0] |= np.uint32(SLOT_BITS["cures"])
        self.slots = array("I", bits.tobytes())

    def forget_words(self) -> None:
        """Nothing more will be added: let go of what only helps in adding."""
        self.numbers = {}
        self._seen.clear()
        self._word_numbers.clear()
        self._letter_numbers.clear()

    def let_go(self) -> None:
        """Of the rows; arrays made of them without copying keep what they need."""
        self.terms, self.values = array("i"), array("f")

    def scale(self, statistics: Statistics) -> None:
        """Make the values those that are stored (`scaled_values`), in place."""
        values = np.frombuffer(self.values, dtype=np.float32)
        self._scale(values, values, statistics)

    def scaled_values(self, statistics: Statistics) -> NDArray[np.float32]:
        """Stored values, shape (len(terms),): bags times idf at unit length, items as they are."""
        values = np.frombuffer(self.values, dtype=np.float32)
        out = np.empty(len(values), dtype=np.float32)
        self._scale(values, out, statistics)
        return out

    def _scale(
        self, values: NDArray[np.float32], out: NDArray[np.float32], statistics: Statistics
    ) -> None:
        blocks = np.frombuffer(self.block_of, dtype=np.int8).astype(np.int64)
        masses = statistics.masses(list(self.numbers))
        factors = np.ones(len(blocks))
        for number, slot in enumerate(self.bag_slots):
            if slot:
                of_block = blocks == number
                factors[of_block] = idf(statistics.slot_count(slot), masses[of_block])
        is_bag = np.array([bool(slot) for slot in self.bag_slots])
        terms = np.frombuffer(self.terms, dtype=np.int32)
        ends = np.frombuffer(self.row_ends, dtype=np.int64)
        for first in range(0, len(ends), 20_000):  # in pieces, to bound memory
            last = min(first + 20_000, len(ends))
            start, stop = (int(ends[first - 1]) if first else 0), int(ends[last - 1])
            rows = np.repeat(
                np.arange(last - first), np.diff(ends[first:last], prepend=np.int64(start))
            )
            part = terms[start:stop]
            scaled = values[start:stop] * factors[part]
            group = rows * len(self.bag_slots) + blocks[part]
            lengths = np.sqrt(np.bincount(group, weights=scaled * scaled))
            out[start:stop] = np.where(is_bag[blocks[part]], scaled / lengths[group], scaled)


def _side_by_side(left: csr_array, right: csr_array) -> csr_array:
    """Rows of one followed by rows of the other, over the columns of the other."""
    ends = left.indptr.astype(np.int64) + right.indptr
    indices = np.empty(int(ends[-1]), dtype=np.int32)
    data = np.empty(int(ends[-1]), dtype=np.float32)
    for part, shift in ((left, right.indptr[:-1]), (right, left.indptr[1:])):
        at = np.arange(part.nnz) + np.repeat(shift.astype(np.int64), np.diff(part.indptr))
        indices[at], data[at] = part.indices, part.data
    return csr_array((data, indices, ends), shape=right.shape)
