"""The checks that fit a unit kind, and what cases showed in them, as places in one table. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from casebook.vocabulary import Check, load_vocabulary

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Panel:
    """checks: in the vocabulary's order. width: places per check, those of the widest. numbers:
    which checks are numbers, (checks,). places: key of a check -> its place. results: (check,
    result) -> place in the table. edges: of a number, what parts its bins."""

    checks: tuple[Check, ...]
    width: int
    numbers: BoolArray
    places: Mapping[str, int]
    results: Mapping[tuple[str, str], int]
    edges: Mapping[str, tuple[float, ...]]

    @classmethod
    def of(cls, checks: tuple[Check, ...]) -> Panel:
        width = max((max(len(c.results), len(c.bins)) for c in checks), default=1)
        return cls(
            checks=checks,
            width=width,
            numbers=np.array([check.kind == "number" for check in checks], bool),
            places={check.key: place for place, check in enumerate(checks)},
            results={
                (check.key, result.key): place * width + within
                for place, check in enumerate(checks)
                for within, result in enumerate(check.results)
            },
            edges={
                check.key: tuple((low + high) / 2 for low, high in pairwise(check.bins))
                for check in checks
                if check.kind == "number"
            },
        )

    def place_of(self, check: str, result: str | None, value: float | None) -> int | None:
        """Where one result stands in the table of checks times width; None for a check of another
        kind or a result that the vocabulary no longer has."""
        edges = self.edges.get(check)
        if edges is None or value is None:
            return self.results.get((check, result or ""))
        return self.places[check] * self.width + bisect_right(edges, value)

    def describe_result(self, check: int, first: int, last: int) -> dict[str, Any]:
        """A result, or the bins from first to last of a number."""
        term = self.checks[check]
        if term.kind != "number":
            return {"result": term.results[first].key, "label": term.results[first].label}
        edges, unit = self.edges[term.key], f" {term.unit}" if term.unit else ""
        low = edges[first - 1] if first > 0 else None
        high = edges[last] if last < len(edges) else None
        if low is None:
            words = f"under {high:g}{unit}" if high is not None else "any value"
        elif high is None:
            words = f"{low:g}{unit} or more"
        else:
            words = f"{low:g} to {high:g}{unit}"
        return {"result": words, "label": words[0].upper() + words[1:], "range": [low, high]}


@lru_cache(maxsize=32)
def panel_for(kind: str) -> Panel:
    """Checks that fit this unit kind and can show more than one thing."""
    return Panel.of(
        tuple(
            check
            for check in load_vocabulary().checks_for(kind)
            if len(check.bins if check.kind == "number" else check.results) > 1
        )
    )


@dataclass(frozen=True)
class Readings:
    """What was seen at intake. case: place of the case, place: in the panel's table; one row for a
    case and check, the last one noted."""

    case: IntArray
    place: IntArray


def place_findings(cases: Iterable[Sequence[Mapping[str, Any]]], panel: Panel) -> Readings:
    """Findings of each case, as shared documents hold them."""
    resolve = load_vocabulary().resolve
    found: dict[tuple[int, int], int] = {}
    for case, findings in enumerate(cases):
        for item in findings:
            if item.get("stage", "intake") != "intake":
                continue
            check = item["check"]
            if check not in panel.places:
                check = resolve("checks", check)[0]
                if check not in panel.places:
                    continue
            place = panel.place_of(check, item.get("result"), item.get("value"))
            if place is not None:
                found[case, place // panel.width] = place
    return Readings(
        np.array([case for case, _ in found], np.int64), np.array(list(found.values()), np.int64)
    )
