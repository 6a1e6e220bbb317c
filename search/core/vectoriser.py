"""Queries and cases as vectors: the numbers of the package's docstring, nothing else."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from search.core.blocks import make_blocks
from search.core.blocks.text import word_feature
from search.core.design import Design
from search.core.reading import SLOT_BITS, SLOTS, Bag, Block, Item, ItemBlock, View
from search.core.spelling import Counts, read_as_known
from search.core.text import Normaliser, Token


class Statistics(Protocol):
    """N and df of the built index."""

    def masses(self, features: list[str]) -> NDArray[np.float64]:
        """df of each feature, 0 for unknown ones; shape (len(features),)."""

    def slot_count(self, slot: str) -> float:
        """How many cases record the slot."""


def idf(among: float, mass: NDArray[np.float64]) -> NDArray[np.float64]:
    """ln((1+N)/(1+df)) + 1, for N `among` and df `mass`; at least 1 where df <= N.

    Source: the smoothed form of scikit-learn's TfidfTransformer (its user guide).
    """
    return np.log((1.0 + among) / (1.0 + mass)) + 1.0


@dataclass(frozen=True, slots=True)
class Saying:
    """Something the user said: how its matches are gathered into a part.

    possible: coefficients of all its terms (bag), or the most it can contribute (item).
    """

    part: str
    said: str
    possible: float
    told_from: float
    is_item: bool


@dataclass(frozen=True)
class QueryVector:
    """features, coefficients, saying_of: one per term, in the order of adding up.

    credit_features, credit_coefficients: what a stored feature adds to (or, negative, takes from)
    the credit. slot_credits: shape (len(SLOTS),), credit of a case silent in that slot.
    """

    features: list[str]
    coefficients: NDArray[np.float64]
    saying_of: NDArray[np.int64]
    sayings: list[Saying]
    credit_features: list[str]
    credit_coefficients: NDArray[np.float64]
    slot_credits: NDArray[np.float64]
    base_credit: float
    words: dict[str, str]


class _QueryBuilder:
    def __init__(self) -> None:
        self.features: list[str] = []
        self.coefficients: list[float] = []
        self.saying_of: list[int] = []
        self.sayings: list[Saying] = []
        self.credits: dict[str, float] = {}
        self.slot_credits = np.zeros(len(SLOTS))
        self.base_credit = 0.0

    def add_term(self, feature: str, coefficient: float, saying: int) -> None:
        self.features.append(feature)
        self.coefficients.append(coefficient)
        self.saying_of.append(saying)

    def credit_slot(self, slot: str, credit: float) -> None:
        self.slot_credits[SLOTS.index(slot)] += credit

    def credit_feature(self, feature: str, credit: float) -> None:
        self.credits[feature] = self.credits.get(feature, 0.0) + credit

    def finish(self, words: dict[str, str]) -> QueryVector:
        return QueryVector(
            features=self.features,
            coefficients=np.array(self.coefficients, dtype=np.float64),
            saying_of=np.array(self.saying_of, dtype=np.int64),
            sayings=self.sayings,
            credit_features=list(self.credits),
            credit_coefficients=np.array(list(self.credits.values()), dtype=np.float64),
            slot_credits=self.slot_credits,
            base_credit=self.base_credit,
            words=words,
        )


class Vectoriser:
    """Reads cases and queries by one design."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.blocks = make_blocks(design)
        self._normaliser = Normaliser(design.replacements)

    def view(self, case: Mapping[str, Any]) -> View:
        return View(case, self._normaliser.read)

    def query_view(
        self, query: Mapping[str, Any], statistics: Statistics, counts: Counts | None = None
    ) -> View:
        """Its words as the cases spell them. counts: see `read_query`."""

        def built(words: list[str]) -> NDArray[np.float64]:
            return statistics.masses(list(map(word_feature, words)))

        def read(text: str) -> list[Token]:
            among = statistics.slot_count("text")
            return read_as_known(self._normaliser, text, built, among, counts or built)

        return View(query, read)

    def read_query(
        self, query: Mapping[str, Any], statistics: Statistics, counts: Counts | None = None
    ) -> QueryVector:
        """counts: in how many cases stems stand, newer ones included; None: as in statistics."""
        return self.ask(self.query_view(query, statistics, counts), statistics)

    def ask(self, view: View, statistics: Statistics) -> QueryVector:
        """A query that is being read (`query_view`)."""
        bags: list[tuple[Bag, dict[str, float]]] = []
        asked: list[tuple[ItemBlock, list[Item]]] = []
        present: list[Block] = []
        for block in self.blocks:
            if self.design.weights.get(block.name, 0.0) <= 0:
                continue
            if isinstance(block, Bag) and (strengths := block.strengths(view)):
                bags.append((block, strengths))
                present.append(block)
            elif isinstance(block, ItemBlock) and (items := block.items(view)):
                asked.append((block, items))
                present.append(block)
        total = sum(self.design.weights[block.name] for block in present)
        builder = _QueryBuilder()
        for bag, strengths in bags:
            weight = self.design.weights[bag.name] / total
            self._ask_bag(builder, bag, strengths, bag.spoken(view), weight, statistics)
        for item_block, items in asked:
            weight = self.design.weights[item_block.name] / total
            self._ask_items(builder, item_block, items, weight, statistics)
        words = {word_feature(token.word): token.said for token in reversed(view.tokens)}
        return builder.finish(dict(reversed(words.items())))

    def _ask_bag(
        self,
        builder: _QueryBuilder,
        bag: Bag,
        strengths: dict[str, float],
        spoken: dict[str, str],
        weight: float,
        statistics: Statistics,
    ) -> None:
        features = list(strengths)
        values = np.array(list(strengths.values())) * idf(
            statistics.slot_count(bag.slot), statistics.masses(features)
        )
        values *= weight / math.sqrt(float(values @ values))
        sayings: dict[str, int] = {}
        possible: dict[str, float] = {}
        for feature, value in zip(features, values.tolist(), strict=True):
            said = spoken.get(feature, "")
            possible[said] = possible.get(said, 0.0) + value
            sayings.setdefault(said, len(builder.sayings) + len(sayings))
            builder.add_term(feature, value, sayings[said])
        builder.sayings += [
            Saying(bag.part, said, possible[said], bag.told_from, is_item=False) for said in sayings
        ]
        builder.credit_slot(bag.slot, weight * self.design.credits.get(bag.name, 0.0))

    def _ask_items(
        self,
        builder: _QueryBuilder,
        block: ItemBlock,
        items: list[Item],
        weight: float,
        statistics: Statistics,
    ) -> None:
        importance = np.array([item.weight for item in items]) * rarities(items, statistics)
        importance *= weight / importance.sum()
        credit_share = self.design.credits.get(block.name, 0.0)
        for item, most in zip(items, importance.tolist(), strict=True):
            saying = len(builder.sayings)
            builder.sayings.append(Saying(block.part, item.said, most, block.told_from, True))
            for feature, alikeness in item.probes:
                builder.add_term(feature, most * alikeness, saying)
            credit = most * credit_share
            if item.slot:
                builder.credit_slot(item.slot, credit)
            if item.silent_by:
                builder.credit_feature(item.silent_by, credit)
            if item.recorded_by:
                builder.base_credit += credit
                builder.credit_feature(item.recorded_by, -credit)


def rarities(items: list[Item], statistics: Statistics) -> NDArray[np.float64]:
    """Factor of each item, shape (len(items),); 1 for those with a fixed weight."""
    asked = [feature for item in items for feature, _ in item.rarity]
    asked += [item.among for item in items if item.among and item.among not in SLOT_BITS]
    names = list(dict.fromkeys(asked))
    mass = dict(zip(names, statistics.masses(names).tolist(), strict=True))

    def rarity(item: Item) -> float:
        if not item.rarity:
            return 1.0
        by_slot = item.among in SLOT_BITS
        among = statistics.slot_count(item.among) if by_slot else mass[item.among]
        shares = np.array([share for _, share in item.rarity])
        return float(shares @ idf(among, np.array([mass[name] for name, _ in item.rarity])))

    return np.array([rarity(item) for item in items])
