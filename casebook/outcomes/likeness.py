"""The similar cases of an answer: why each is alike, why it stands where it stands, and what the
search leaves out that they record.
"""

from __future__ import annotations

from itertools import zip_longest
from typing import Any
from uuid import UUID

from casebook.cases.queries import get_shared_documents, own_case_ids
from casebook.shops.models import Shop
from search.adapter import SearchHit, SearchResult
from search.adapter.missing import POINTERS, list_missing
from search.core import compare_shares
from search.core.missing import Common, Missing, sum_up

# Of what is missing: more than these nobody enters, and less than half a point changes nothing.
MOST_MISSING = 6
LEAST_GAIN = 0.005


def list_similar(
    result: SearchResult, *, limit: int, shop: Shop
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """(similar, worth_adding) of the answer to a search, as plain values. Everything said of what
    is missing comes from the cases that are shown."""
    documents = get_shared_documents([hit.id for hit in result.hits[:limit]])
    own = own_case_ids(shop=shop, shared_ids=list(documents))
    # A case withdrawn since the search began is in the list no more.
    shown = [hit for hit in result.hits[:limit] if hit.id in documents]
    similar = [_similar_case(hit, documents[hit.id], own.get(hit.id)) for hit in shown]
    for item, following in zip_longest(similar, similar[1:]):
        item["above_next"] = _above_next(item, following)
    missing = list_missing(result, [(hit.id, documents[hit.id], hit.similarity) for hit in shown])
    for item, found in zip(similar, missing, strict=True):
        telling = [one for one in found[:MOST_MISSING] if one.gain >= LEAST_GAIN]
        item["missing"] = [_point_at(one) for one in telling]
    worth_adding = [
        _point_at(one) | {"cases": one.cases, "of": len(shown)}
        for one in sum_up(missing)[:MOST_MISSING]
    ]
    return similar, worth_adding


def _similar_case(hit: SearchHit, document: dict[str, Any], own_id: UUID | None) -> dict[str, Any]:
    case = {key: value for key, value in document.items() if key != "notes"}
    return {
        "case": case,
        "own_case_id": None if own_id is None else str(own_id),
        "similarity": hit.similarity,
        "parts": [
            {"block": part.block, "share": part.share, "matched": list(part.matched)}
            for part in hit.parts
        ],
    }


def _above_next(item: dict[str, Any], following: dict[str, Any] | None) -> dict[str, Any] | None:
    if following is None:
        return None
    above, below = (
        {part["block"]: part["share"] for part in one["parts"]} for one in (item, following)
    )
    # Similarities are counted in units of 1e-7.
    difference = round(item["similarity"] - following["similarity"], 7)
    gaps = compare_shares(above, below)
    return {
        "difference": difference,
        "parts": [{"block": block, "difference": gap} for block, gap in gaps.items()],
    }


def _point_at(one: Missing | Common) -> dict[str, Any]:
    """Evidence by its place in the request."""
    return {"pointer": POINTERS[one.field], "key": one.key or None, "gain": one.gain}
