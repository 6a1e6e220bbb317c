"""Resolved cases: what the learned parts of the search learn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Cure:
    """How a case was resolved."""

    level: str
    actions: tuple[str, ...]


@dataclass(frozen=True)
class Followed:
    """case: as the core reads it. held: whether service, tried first, held for the horizon; None
    where it was not tried or not seen so long. certainty: its weight for those not seen so long
    (1 / the chance of being seen)."""

    case: Mapping[str, Any]
    cure: Cure
    held: bool | None = None
    certainty: float = 0.0

    @property
    def cluster(self) -> int:
        return int(self.case.get("cluster") or 0)

    @property
    def kind(self) -> str:
        return str(self.case.get("unit_kind") or "")
