"""What a term of the vocabulary is. Values only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

CheckKind = Literal["ordinal", "category", "number"]
CHECK_KINDS: Final = ("ordinal", "category", "number")

# How far an attempt goes, least first: the order is used.
LEVELS: Final = ("none", "service", "component", "overhaul", "replacement")
FOLLOW_UP_STATES: Final = ("holding", "came_back", "other_fault", "gone", "no_contact")


@dataclass(frozen=True, slots=True)
class Unit:
    """An assembly that would be serviced or replaced."""

    key: str
    label: str
    synonyms: tuple[str, ...] = ()
    meaning: str = ""
    subkinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Condition:
    """When a symptom shows."""

    key: str
    label: str
    synonyms: tuple[str, ...] = ()
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Precondition:
    """What must be true before a check."""

    key: str
    label: str


@dataclass(frozen=True, slots=True)
class Caution:
    """A hazard, and whose word counts."""

    key: str
    label: str
    text: str


@dataclass(frozen=True, slots=True)
class Symptom:
    """What driver or technician notices. Empty `unit_kinds`: any kind."""

    key: str
    label: str
    unit_kinds: tuple[str, ...] = ()
    synonyms: tuple[str, ...] = ()
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Result:
    """One outcome of a check.

    severity: 0 is as it should be, 1 is as bad as this check can show; None where the result
    points somewhere without being better or worse. Common practice, no source: it orders and
    groups results, and never becomes a probability.
    """

    key: str
    label: str
    severity: float | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """An act that looks for something, and what it may show.

    results: in order for an ordinal check; empty for a number.
    unit, hard, soft, bins: of a number. Outside `hard` is refused, outside `soft` is doubted;
    `bins` are the ascending centres at which values are compared. `soft_24v`, where a 24 V system
    reads differently: usual there.
    normal: the result that says all is well, None where there is none (numbers).
    """

    key: str
    label: str
    kind: CheckKind
    minutes: int
    unit_kinds: tuple[str, ...] = ()
    results: tuple[Result, ...] = ()
    unit: str | None = None
    hard: tuple[float, float] | None = None
    soft: tuple[float, float] | None = None
    soft_24v: tuple[float, float] | None = None
    bins: tuple[float, ...] = ()
    cautions: tuple[str, ...] = ()
    normal: str | None = None
    before: tuple[str, ...] = ()
    synonyms: tuple[str, ...] = ()
    meaning: str = ""
    source: str = "common practice, no source"

    def result(self, key: str) -> Result:
        """The result of that key. Raises KeyError."""
        for result in self.results:
            if result.key == key:
                return result
        raise KeyError(key)


@dataclass(frozen=True, slots=True)
class Action:
    """Something done to put it right; `levels` holds the one level it belongs to.

    An attempt at a higher level may contain it too: an overhaul also changes the fluid.
    """

    key: str
    label: str
    levels: tuple[str, ...]
    unit_kinds: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    synonyms: tuple[str, ...] = ()

    @property
    def level(self) -> str:
        return self.levels[0]


@dataclass(frozen=True, slots=True)
class Rename:
    """A key that stored cases may still carry, and the key that took its place."""

    theme: str
    old: str
    new: str
    since: str
    reason: str
