"""The whole answer to one search: similar cases with reasons, outlook, next checks, cautions.

The API and the bench page both call `answer_search`; neither computes anything of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

from casebook.cases.documents import SearchDocument
from casebook.outcomes.checking import next_checks_for
from casebook.outcomes.foretelling import foretell
from casebook.outcomes.likeness import list_similar
from casebook.outcomes.queries import outlook_for
from casebook.outcomes.thin import explain_little
from casebook.shops.models import Shop
from casebook.vocabulary import load_vocabulary
from search.adapter import search_cases

# The outlook looks at more cases than are shown.
NEIGHBOURS = 500


def answer_search(*, shop: Shop, document: SearchDocument) -> dict[str, Any]:
    """The body of `POST /search`, plain values ready to render."""
    result = search_cases(
        document=document, cluster=shop.cluster, neighbours=NEIGHBOURS, explain=document.limit
    )
    similar, worth_adding = list_similar(result, limit=document.limit, shop=shop)
    hits = [(hit.id, hit.similarity) for hit in result.hits]
    outlook = outlook_for(
        hits,
        horizon_days=document.horizon_days,
        document=document,
        contributions=result.contributions,
        foretold=foretell(result, horizon_days=document.horizon_days),
    )
    checks = next_checks_for(hits, outlook=outlook.document, document=document)
    return {
        "understood": {
            "codes": [code.code for code in document.codes],
            "unknown_terms": result.unknown_terms,
            "warnings": [*document.warnings, *explain_little(document, result)],
        },
        "worth_adding": worth_adding,
        "similar": similar,
        "outlook": outlook.document,
        "caveats": outlook.caveats,
        **checks.as_members(),
        "cautions": _cautions(
            document, [item["case"] for item in similar], also=checks.caution_keys()
        ),
        "index": {"cases": result.cases, "as_of": result.as_of},
    }


def _cautions(
    document: SearchDocument, similar: Iterable[dict[str, Any]], *, also: Collection[str]
) -> list[dict[str, str]]:
    """Hazards of the checks made, of those suggested (`also`) and of the work that similar cases
    took; of all the work on such a unit where no similar case tells. In the vocabulary's order."""
    vocabulary = load_vocabulary()
    keys = set(also)
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
