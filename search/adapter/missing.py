"""What a search leaves out and similar cases record, in the terms of the request."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from search.adapter import SearchResult
from search.adapter.documents import read_shared_case
from search.core.missing import Missing, find_missing

# Field of the core's mapping -> where it is said in a request.
POINTERS: Mapping[str, str] = {
    "make": "/vehicle/make",
    "model": "/vehicle/model",
    "engine": "/vehicle/engine",
    "drive": "/vehicle/drive",
    "age_years": "/vehicle/year",
    "odometer_km": "/vehicle/odometer",
    "unit_kind": "/unit/kind",
    "unit_family": "/unit/family",
    "codes": "/codes",
    "symptoms": "/symptoms",
    "findings": "/findings",
}


def list_missing(
    result: SearchResult, shown: Sequence[tuple[UUID, Mapping[str, Any], float]]
) -> list[list[Missing]]:
    """For each (shared id, its document, similarity) what it records at intake and the search
    leaves out. Looks at nothing but those documents."""
    cases = [
        (
            read_shared_case(
                {"id": id_, "document": document, "with_outcome": False, "cluster": 0}
            ),
            similarity,
        )
        for id_, document, similarity in shown
    ]
    return find_missing(result.index, result.query, cases)
