"""The choices behind the similarity, as data: weights, credits, scales, the trade table.

All weights and credits here are set by hand, by judgement and not by measurement: what a
technician would look at first counts most, and a silent case loses most of what a matching one
gets. Weights stay so until `search.core.tuning` learns better ones from resolved cases.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import Any

from search.core.profile import CureModel

WEIGHTS: Mapping[str, float] = {
    "words": 0.16,
    "word_pairs": 0.02,
    "letters": 0.12,
    "codes": 0.18,
    "symptoms": 0.14,
    "findings": 0.16,
    "unit": 0.12,
    "vehicle": 0.06,
    "age": 0.02,
    "odometer": 0.02,
    # Learned from all of the above at once, so it comes on top of them. Where few cases share a
    # cure more would harm; where many do, tuning finds out.
    "cures": 0.25,
}

# Share of its weight that a block gives to a case that records nothing there.
CREDITS: Mapping[str, float] = {
    "words": 0.10,
    "word_pairs": 0.10,
    "letters": 0.10,
    "codes": 0.15,
    "symptoms": 0.15,
    "findings": 0.20,
    "unit": 0.10,
    "vehicle": 0.20,
    "age": 0.30,
    "odometer": 0.30,
    "cures": 0.20,
}


@dataclass(frozen=True)
class Scale:
    """How a check's results lie to each other.

    results: in order, for an ordered check. centres: ascending, for a number. Neither: the
    results are names that are equal or not.
    """

    results: tuple[str, ...] = ()
    centres: tuple[float, ...] = ()


@dataclass(frozen=True)
class Design:
    """What an index is built with. Weights, credits and likeness of neighbours act on queries
    only; everything else is in what is stored, and changing it needs a new build.

    cures: the learned model of what cures a case; None: no such block.
    """

    replacements: Mapping[str, str] = field(default_factory=dict)
    scales: Mapping[str, Scale] = field(default_factory=dict)
    weights: Mapping[str, float] = field(default_factory=lambda: dict(WEIGHTS))
    credits: Mapping[str, float] = field(default_factory=lambda: dict(CREDITS))
    cures: CureModel | None = None
    neighbour_alikeness: float = 0.5
    letter_group_size: int = 3
    age_centres_years: tuple[float, ...] = (0, 1, 2, 3, 4, 6, 8, 10, 12, 15, 20, 25)
    odometer_centres_km: tuple[float, ...] = tuple(
        1000.0 * thousand
        for thousand in (0, 10, 20, 40, 60, 80, 100, 125, 150, 180, 210, 250, 300, 400)
    )

    def __post_init__(self) -> None:
        for name in WEIGHTS:
            if not self.weights.get(name, 0.0) >= 0:
                raise ValueError(f"weight of {name} must be >= 0, got {self.weights[name]!r}")
            if not 0 <= self.credits.get(name, 0.0) <= 1:
                raise ValueError(f"credit of {name} must lie in [0, 1]")
        if unknown := (set(self.weights) | set(self.credits)) - set(WEIGHTS):
            raise ValueError(f"no such block: {', '.join(sorted(unknown))}")
        if not 0 <= self.neighbour_alikeness <= 1:
            raise ValueError("neighbour_alikeness must lie in [0, 1]")
        if self.letter_group_size < 2:
            raise ValueError("letter_group_size must be at least 2")

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; `from_dict` reads them back, but for the model of cures, of
        which only the fingerprint is here."""
        values = asdict(replace(self, cures=None))
        values["cures"] = None if self.cures is None else self.cures.fingerprint
        return json.loads(json.dumps(values))  # type: ignore[no-any-return]

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], cures: CureModel | None = None) -> Design:
        """cures: the model kept beside. Raises ValueError where it is another one."""
        values = dict(data)
        if values.get("cures") != (None if cures is None else cures.fingerprint):
            raise ValueError("the model of cures is not the one of the design")
        values["cures"] = cures
        values["scales"] = {
            check: Scale(tuple(scale["results"]), tuple(scale["centres"]))
            for check, scale in values["scales"].items()
        }
        for name in ("age_centres_years", "odometer_centres_km"):
            values[name] = tuple(values[name])
        return cls(**values)

    @cached_property
    def fingerprint(self) -> str:
        """Of all that is in what an index stores. Another fingerprint, another build."""
        return self.fingerprint_with(None if self.cures is None else self.cures.fingerprint)

    def fingerprint_with(self, cures: str | None) -> str:
        """With another model of cures, of which only the fingerprint is known; None: none."""
        stored = self.as_dict() | {"cures": cures}
        for acts_on_queries_only in ("weights", "credits", "neighbour_alikeness"):
            del stored[acts_on_queries_only]
        text = json.dumps(stored, sort_keys=True, ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()[:16]
