"""The blocks a case is compared by. Each says how it reads a case and how it explains itself.

A `Bag` is compared by cosine, an `ItemBlock` over what the query has (the package's docstring
gives the formulas). Adding one: a class here, a line in `make_blocks`, a weight and a credit in
`search.core.design`, a test.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any, ClassVar

from search.core.design import Design, Scale
from search.core.reading import Bag, Block, Feature, Item, ItemBlock, View, soft_bins, unit_length
from search.core.text import letter_groups, squeeze

# --- Text -------------------------------------------------------------------------------------


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
            group for token in view.tokens for group in letter_groups(token.word, self.size)
        )
        return {self.key(group): 1.0 + math.log(count) for group, count in counts.items()}

    def spoken(self, view: View) -> dict[str, str]:
        return {
            self.key(group): token.said
            for token in reversed(view.tokens)
            for group in letter_groups(token.word, self.size)
        }


# --- Codes ------------------------------------------------------------------------------------


class Codes(Bag):
    """A code, with its failure type; its circuit family, so that neighbours are near; its
    subsystem. The strengths say how much each step away from the exact code is worth."""

    name = "codes"
    part = "codes"
    slot = "codes"
    STRENGTHS: ClassVar[Mapping[str, float]] = {
        "code": 1.0,
        "failure_type": 0.4,
        "family": 0.6,
        "subsystem": 0.3,
    }

    def _named(self, view: View) -> Iterator[tuple[str, str, str]]:
        """(kind, name, code as shown) of every feature."""
        for code in view.listed("codes"):
            shown = code["code"]
            yield "code", shown, shown
            if code.get("failure_type"):
                exact = f"{shown}-{code['failure_type']}"
                yield "failure_type", exact, exact
            for kind in ("family", "subsystem"):
                if code.get(kind):
                    yield kind, code[kind], shown

    def strengths(self, view: View) -> dict[str, float]:
        return {self.key(kind, name): self.STRENGTHS[kind] for kind, name, _ in self._named(view)}

    def spoken(self, view: View) -> dict[str, str]:
        # The subsystem alone is too far away to be shown as a match of the code.
        return {
            self.key(kind, name): shown
            for kind, name, shown in self._named(view)
            if kind != "subsystem"
        }

    def slots(self, view: View) -> list[str]:
        return ["codes"] if view.listed("codes") else []


# --- Symptoms and findings --------------------------------------------------------------------


class Symptoms(ItemBlock):
    """A symptom, with the conditions under which it shows as finer terms."""

    name = "symptoms"
    part = "symptoms"
    SYMPTOM_SHARE: ClassVar[float] = 0.5  # the rest is for the conditions

    def _read(self, view: View) -> dict[str, list[str]]:
        conditions: dict[str, dict[str, None]] = {}
        for symptom in view.listed("symptoms"):
            seen = conditions.setdefault(symptom["key"], {})
            seen.update(dict.fromkeys(symptom.get("when") or ()))
        return {key: list(when) for key, when in conditions.items()}

    def features(self, view: View) -> Iterator[Feature]:
        for key, when in self._read(view).items():
            yield Feature(self.key(key))
            # "?" where no condition is noted: silent about them, not different.
            for condition in when or ["?"]:
                yield Feature(self.key(key, condition))

    def slots(self, view: View) -> list[str]:
        return ["symptoms"] if view.listed("symptoms") else []

    def items(self, view: View) -> list[Item]:
        out = []
        for key, when in self._read(view).items():
            feature = self.key(key)
            rarity = ((feature, 1.0),)
            share = self.SYMPTOM_SHARE if when else 1.0
            out.append(
                Item(key, share, ((feature, 1.0),), rarity, among="symptoms", slot="symptoms")
            )
            out.extend(
                Item(
                    said=f"{key} ({condition})",
                    weight=(1.0 - share) / len(when),
                    probes=((self.key(key, condition), 1.0),),
                    rarity=rarity,
                    among="symptoms",
                    slot="symptoms",
                    silent_by=self.key(key, "?"),
                )
                for condition in when
            )
        return out


class Findings(ItemBlock):
    """What checks showed. A check that came out normal is a result; one not done is silence."""

    name = "findings"
    part = "findings"
    told_from = 0.75  # a neighbouring result counts, but is not what the user said
    NO_SCALE: ClassVar[Scale] = Scale()

    def __init__(self, scales: Mapping[str, Scale], neighbour_alikeness: float) -> None:
        self.scales = scales
        self.neighbour_alikeness = neighbour_alikeness

    def _read(self, view: View) -> dict[str, Mapping[str, Any]]:
        # One result per check: the last one noted counts.
        return {finding["check"]: finding for finding in view.listed("findings")}

    def _bins(self, check: str, finding: Mapping[str, Any]) -> list[tuple[str, float]]:
        """Features of a result and their shares, which add up to 1."""
        scale = self.scales.get(check, self.NO_SCALE)
        value = finding.get("value")
        if value is None:
            return [(self.key(check, str(finding["result"])), 1.0)]
        if not scale.centres:
            return [(self.key(check, f"{value:.10g}"), 1.0)]
        return [(self.key(check, f"#{i}"), share) for i, share in soft_bins(value, scale.centres)]

    def features(self, view: View) -> Iterator[Feature]:
        for check, finding in self._read(view).items():
            yield Feature(self.key(check))
            bins = self._bins(check, finding)
            for (feature, value), (_, share) in zip(unit_length(bins), bins, strict=True):
                yield Feature(feature, value, mass=share)

    def slots(self, view: View) -> list[str]:
        return []

    def items(self, view: View) -> list[Item]:
        return [self._item(check, finding) for check, finding in self._read(view).items()]

    def _item(self, check: str, finding: Mapping[str, Any]) -> Item:
        bins = self._bins(check, finding)
        probes = dict(unit_length(bins))
        value = finding.get("value")
        if value is None:
            probes |= self._neighbours(check, str(finding["result"]))
        return Item(
            said=f"{check}: {finding['result'] if value is None else format(value, '.10g')}",
            weight=1.0,
            probes=tuple(probes.items()),
            rarity=tuple(bins),
            among=self.key(check),
            recorded_by=self.key(check),
        )

    def _neighbours(self, check: str, result: str) -> dict[str, float]:
        ordered = self.scales.get(check, self.NO_SCALE).results
        if result not in ordered or not self.neighbour_alikeness:
            return {}
        at = ordered.index(result)
        return {
            self.key(check, ordered[i]): self.neighbour_alikeness
            for i in (at - 1, at + 1)
            if 0 <= i < len(ordered)
        }


# --- Vehicle and unit -------------------------------------------------------------------------


class Names(ItemBlock):
    """Fields that are equal or not, with fixed shares; spelling of names is levelled."""

    SHARES: ClassVar[Mapping[str, float]]
    # Fields of several words, compared word by word: "2.0 diesel".
    WORDED: ClassVar[frozenset[str]] = frozenset()

    def _words(self, view: View, field: str) -> dict[str, str]:
        """Levelled name -> as written."""
        written = view.text(field)
        pieces = written.split() if field in self.WORDED else [written]
        return {squeeze(piece): piece for piece in pieces if squeeze(piece)}

    def features(self, view: View) -> Iterator[Feature]:
        for field in self.SHARES:
            for word in self._words(view, field):
                yield Feature(self.key(field, word))

    def slots(self, view: View) -> list[str]:
        return [field for field in self.SHARES if self._words(view, field)]

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

    def features(self, view: View) -> Iterator[Feature]:
        return (Feature(name, weight) for name, weight in self._bins(view))

    def slots(self, view: View) -> list[str]:
        return [self.slot] if self._bins(view) else []

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


def make_blocks(design: Design) -> tuple[Block, ...]:
    """All blocks, in the order in which their terms are added up and their parts shown."""
    return (
        Words(),
        WordPairs(),
        Letters(design.letter_group_size),
        Codes(),
        Symptoms(),
        Findings(design.scales, design.neighbour_alikeness),
        Unit(),
        Vehicle(),
        Age(design.age_centres_years),
        Odometer(design.odometer_centres_km),
    )
