"""What was learned, as searches and builds use it; readable inside reading_shared()."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from search.adapter.documents import current_design
from search.core import Design
from search.core.profile import CureModel
from search.models import LearnedDesign

# Part of a statement: the id of the active design, NULL where nothing was learned.
ACTIVE = "(SELECT id FROM search_learneddesign WHERE is_active)"


@dataclass(frozen=True)
class Wanted:
    """design: today's, for queries; its model is not loaded. fingerprint: of an index built with
    the active model."""

    design: Design
    fingerprint: str


@lru_cache(maxsize=8)
def read_wanted(learned_id: int | None) -> Wanted:
    """For an active design, or None. A row is never changed but for being active."""
    design = current_design()
    if learned_id is None:
        return Wanted(design, design.fingerprint)
    weights, cures = LearnedDesign.objects.values_list("weights", "model_fingerprint").get(
        pk=learned_id
    )
    return Wanted(_weighted(design, weights), design.fingerprint_with(cures or None))


def find_active() -> int | None:
    return LearnedDesign.objects.filter(is_active=True).values_list("pk", flat=True).first()


def read_active_design() -> Design:
    """To build with: today's design with the active weights and model."""
    row = LearnedDesign.objects.filter(is_active=True).first()
    if row is None:
        return current_design()
    cures = None if row.model is None else CureModel.from_bytes(bytes(row.model))
    return replace(_weighted(current_design(), row.weights), cures=cures)


def _weighted(design: Design, weights: dict[str, float]) -> Design:
    """Blocks that came after the learning keep the weight that was set by hand."""
    known = {name: weights.get(name, weight) for name, weight in design.weights.items()}
    return replace(design, weights=known)


def list_learned() -> list[LearnedDesign]:
    """Newest first, without the models' bytes."""
    return list(LearnedDesign.objects.defer("model").order_by("-pk"))
