"""What a block is: how it reads a case, what it asks of others, how it explains itself."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from functools import cached_property
from typing import Any, ClassVar, NamedTuple, TypeVar

from search.core.text import Token

Key = TypeVar("Key")
# Parts of a case, each after the key of what a block reads in it.
Evidence = Iterable[tuple[Hashable | None, Mapping[str, Any]]]

# What a case either records or not, one bit each. Checks are too many for bits: they have
# features of their own. The order is part of the stored format.
SLOTS = (
    "text codes symptoms make model engine drive unit_kind unit_family age odometer cures"
).split()
SLOT_BITS: Mapping[str, int] = {name: 1 << i for i, name in enumerate(SLOTS)}


class View:
    """One case while it is being read; its text is normalised once for all blocks."""

    def __init__(self, case: Mapping[str, Any], read: Callable[[str], list[Token]]) -> None:
        self.case = case
        self._read = read

    @cached_property
    def tokens(self) -> list[Token]:
        return self._read(self.text("complaint"))

    def text(self, key: str) -> str:
        return str(self.case.get(key) or "")

    def number(self, key: str) -> float | None:
        value = self.case.get(key)
        return None if value is None or not math.isfinite(value) else float(value)

    def listed(self, key: str) -> list[Mapping[str, Any]]:
        return list(self.case.get(key) or ())


class Feature(NamedTuple):
    """value: strength in a bag, stored value in an item block. mass: what it adds to df."""

    name: str
    value: float = 1.0
    mass: float = 1.0


@dataclass(frozen=True, slots=True)
class Item:
    """One thing the query asks about.

    probes: features of a case and how alike they make it; with a case's stored values they add
    up to at most 1. rarity: features and shares whose mean idf, among the cases with feature or
    slot `among`, multiplies the weight; empty for a fixed weight.
    A case is silent about the item when its bit `slot` is unset, when it lacks the feature
    `recorded_by`, or when it has the feature `silent_by`.
    """

    said: str
    weight: float
    probes: tuple[tuple[str, float], ...]
    rarity: tuple[tuple[str, float], ...] = ()
    among: str = ""
    slot: str = ""
    recorded_by: str = ""
    silent_by: str = ""


@dataclass(frozen=True, slots=True)
class Addition:
    """A piece of evidence that a case records and a query lacks.

    field: of the case mapping. key: of the symptom or check; "" for the field as a whole.
    shows: what the case records of it. fragment: the same as a case mapping of its own.
    """

    field: str
    key: str
    shows: tuple[object, ...]
    fragment: Mapping[str, Any] = dataclass_field(compare=False)


class Block(ABC):
    """One aspect of a case. `part` is the name under which its share is shown."""

    name: ClassVar[str]
    part: ClassVar[str]
    # The share of what was asked that must be met before the user's words count as matched.
    told_from: ClassVar[float] = 0.0

    @abstractmethod
    def slots(self, view: View) -> Iterable[str]:
        """The slots that the case records."""

    def evidence(self, case: Mapping[str, Any]) -> Evidence:
        """What of a case this block reads, in parts that it may as well read one by one, each
        after a key: parts of equal keys have equal features and slots. None where that can't be
        told more cheaply than by reading it."""
        return [(None, case)]

    def additions(self, query: View, case: View) -> Iterable[Addition]:
        """What the case records here and the query lacks, where it is entered piece by piece;
        in a bag only where the query has nothing there."""
        return ()

    def key(self, *names: str) -> str:
        """A feature's name: no two blocks share one."""
        return f"{self.name}:{'|'.join(names)}"


class Bag(Block):
    """Compared by cosine."""

    slot: ClassVar[str]

    @abstractmethod
    def strengths(self, view: View) -> dict[str, float]:
        """Feature -> strength."""

    @abstractmethod
    def spoken(self, view: View) -> dict[str, str]:
        """Feature -> the user's own words; a feature without words isn't shown."""


class ItemBlock(Block):
    """Compared over what the query has."""

    @abstractmethod
    def features(self, view: View) -> Iterable[Feature]:
        """What is stored of a case."""

    @abstractmethod
    def items(self, view: View) -> list[Item]:
        """What a query asks; no two items with the same probe."""


def soft_bins(value: float, centres: tuple[float, ...]) -> list[tuple[int, float]]:
    """Two triangular weights that add up to 1: how near `value` is to the centres around it."""
    if value <= centres[0]:
        return [(0, 1.0)]
    if value >= centres[-1]:
        return [(len(centres) - 1, 1.0)]
    upper = next(i for i, centre in enumerate(centres) if centre >= value)
    share = (value - centres[upper - 1]) / (centres[upper] - centres[upper - 1])
    if share == 1.0:
        return [(upper, 1.0)]
    return [(upper - 1, 1.0 - share), (upper, share)]


def unit_length(bins: list[tuple[Key, float]]) -> list[tuple[Key, float]]:
    length = math.sqrt(sum(weight * weight for _, weight in bins))
    return [(key, weight / length) for key, weight in bins]
