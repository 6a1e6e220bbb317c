"""What was tried one after the other, and how often it ended well. Pure."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from casebook.outcomes.circumstances import Circumstances
from casebook.outcomes.outlook import Neighbours

MOST_PATHS: Final = 8


def describe_paths(cases: Neighbours, details: Circumstances) -> list[dict[str, Any]]:
    """The commonest ways the similar cases went, most cases first, longer ones after shorter.

    `cases` of the `of` in which anything was tried went this way; `resolved`: of those, the ones in
    which the last step is known to have done it; `share` weighs by similarity.
    """
    tried = cases.first_level >= 0
    if not tried.any():
        return []
    path, weight = details.path[tried], cases.similarity[tried]
    size = len(details.paths)
    count = np.bincount(path, minlength=size)
    share = np.bincount(path, weight, size) / weight.sum()
    resolved = np.bincount(path, cases.resolved_by[tried] >= 0, size)
    order = sorted(
        (place for place in range(size) if count[place]),
        key=lambda place: (-count[place], len(details.paths[place]), details.paths[place]),
    )
    return [
        {
            "steps": list(details.paths[place]),
            "cases": int(count[place]),
            "of": int(tried.sum()),
            "share": round(float(share[place]), 4),
            "resolved": int(resolved[place]),
        }
        for place in order[:MOST_PATHS]
    ]
