"""The vehicle and the unit: names that are equal or not, amounts that are near or far."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any, ClassVar

from search.core.reading import (
    Addition,
    Evidence,
    Feature,
    Item,
    ItemBlock,
    View,
    soft_bins,
    unit_length,
)
from search.core.text import squeeze

# The same few names come again and again.
_level = lru_cache(maxsize=20_000)(squeeze)


class Names(ItemBlock):
    """Fields that are equal or not, with fixed shares; spelling of names is levelled."""

    SHARES: ClassVar[Mapping[str, float]]
    # Fields of several words, compared word by word: "2.0 diesel".
    WORDED: ClassVar[frozenset[str]] = frozenset()

    def _words(self, view: View, field: str) -> dict[str, str]:
        """Levelled name -> as written."""
        written = view.text(field)
        pieces = written.split() if field in self.WORDED else [written]
        return {name: piece for piece in pieces if (name := _level(piece))}

    def evidence(self, case: Mapping[str, Any]) -> Evidence:
        return [(tuple([case.get(field) for field in self.SHARES]), case)]

    def features(self, view: View) -> Iterator[Feature]:
        for field in self.SHARES:
            for word in self._words(view, field):
                yield Feature(self.key(field, word))

    def slots(self, view: View) -> list[str]:
        return [field for field in self.SHARES if self._words(view, field)]

    def additions(self, query: View, case: View) -> Iterator[Addition]:
        for field in self.SHARES:
            if self._words(case, field) and not self._words(query, field):
                written = case.text(field)
                yield Addition(field, "", (written,), {field: written})

    def items(self, view: View) -> list[Item]:
        out: list[Item] = []
        for field, share in self.SHARES.items():
            words = self._words(view, field)
            out.extend(
                Item(written, share / len(words), ((self.key(field, word), 1.0),), slot=field)
                for word, written in words.items()
            )
        return out


class Vehicle(Names):
    name = "vehicle"
    part = "vehicle"
    SHARES = {"make": 0.3, "model": 0.4, "engine": 0.2, "drive": 0.1}
    WORDED = frozenset({"engine"})


class Unit(Names):
    name = "unit"
    part = "unit"
    SHARES = {"unit_kind": 0.6, "unit_family": 0.4}


class Amount(ItemBlock):
    """One number against soft bins."""

    told_from = 0.5
    field: ClassVar[str]
    slot: ClassVar[str]
    said_as: ClassVar[str]

    def __init__(self, centres: tuple[float, ...]) -> None:
        self.centres = centres

    def _bins(self, view: View) -> list[tuple[str, float]]:
        value = view.number(self.field)
        if value is None:
            return []
        bins = unit_length(soft_bins(value, self.centres))
        return [(self.key(str(i)), weight) for i, weight in bins]

    def evidence(self, case: Mapping[str, Any]) -> Evidence:
        # Not None, which would say that it can't be told.
        return [((case.get(self.field),), case)]

    def features(self, view: View) -> Iterator[Feature]:
        return (Feature(name, weight) for name, weight in self._bins(view))

    def slots(self, view: View) -> list[str]:
        return [self.slot] if self._bins(view) else []

    def additions(self, query: View, case: View) -> Iterator[Addition]:
        if self._bins(case) and not self._bins(query):
            value = case.number(self.field)
            yield Addition(self.field, "", (value,), {self.field: value})

    def items(self, view: View) -> list[Item]:
        bins = self._bins(view)
        if not bins:
            return []
        words = view.case.get("said") or {}
        said = words.get(self.field) or self.said_as.format(view.number(self.field))
        return [Item(said, 1.0, tuple(bins), slot=self.slot)]


class Age(Amount):
    name = "age"
    part = "age"
    field = "age_years"
    slot = "age"
    said_as = "{:.0f} years"


class Odometer(Amount):
    name = "odometer"
    part = "odometer"
    field = "odometer_km"
    slot = "odometer"
    said_as = "{:.0f} km"
