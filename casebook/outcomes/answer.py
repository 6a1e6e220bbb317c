"""The whole answer to one search: similar cases with reasons, outlook, cautions.

The API and the bench page both call `answer_search`; neither computes anything of its own.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import zip_longest
from typing import Any
from uuid import UUID

from casebook.cases.documents import SearchDocument
from casebook.cases.queries import get_shared_documents, own_case_ids
from casebook.outcomes.queries import outlook_for
from casebook.shops.models import Shop
from casebook.vocabulary import load_vocabulary
from search.adapter import search_cases
from search.core import compare_shares

# The outlook looks at more cases than are shown.
NEIGHBOURS = 500


def answer_search(*, shop: Shop, document: SearchDocument) -> dict[str, Any]:
    """The body of `POST /search`, plain values ready to render."""
    result = search_cases(
        document=document, cluster=shop.cluster, neighbours=NEIGHBOURS, explain=document.limit
    )
    shown = result.hits[: document.limit]
    documents = get_shared_documents([hit.id for hit in shown])
    own = own_case_ids(shop=shop, shared_ids=list(documents))
    # A case withdrawn since the search began is in the list no more.
    similar = [
        _similar_case(hit, documents[hit.id], own.get(hit.id))
        for hit in shown
        if hit.id in documents
    ]
    for item, following in zip_longest(similar, similar[1:]):
        item["above_next"] = _above_next(item, following)
    outlook = outlook_for(
        [(hit.id, hit.similarity) for hit in result.hits],
        horizon_days=document.horizon_days,
        document=document,
    )
    return {
        "understood": {
            "codes": [code.code for code in document.codes],
            "unknown_terms": result.unknown_terms,
            "warnings": document.warnings,
        },
        "similar": similar,
        "outlook": outlook.document,
        "caveats": outlook.caveats,
        "cautions": _cautions(document, [item["case"] for item in similar]),
        "index": {"cases": result.cases, "as_of": result.as_of},
    }


def _similar_case(hit: Any, document: dict[str, Any], own_id: UUID | None) -> dict[str, Any]:
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


def _cautions(document: SearchDocument, similar: Iterable[dict[str, Any]]) -> list[dict[str, str]]:
    """Hazards of the checks made and of the work that similar cases took; of all the work on such
    a unit where no similar case tells. In the vocabulary's order."""
    vocabulary = load_vocabulary()
    keys: set[str] = set()
    for finding in document.findings:
        keys.update(vocabulary.checks[finding.check].cautions)
    done = {
        action for case in similar for attempt in case["attempts"] for action in attempt["actions"]
    }
    for key in done:
        if key in vocabulary.actions:
            keys.update(vocabulary.actions[key].cautions)
    kind = document.unit.kind
    if not done and kind is not None:
        for action in vocabulary.actions_for(kind):
            keys.update(action.cautions)
    return [
        {"key": caution.key, "text": caution.text}
        for caution in vocabulary.cautions.values()
        if caution.key in keys
    ]
