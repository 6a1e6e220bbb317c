"""What was entered in a search, item by item, and how it weighs in the similar cases. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from casebook.cases.documents import SearchDocument
from casebook.cases.sharing import describe_finding
from casebook.outcomes.evidence import Weighed
from casebook.vocabulary.codes import describe_code
from search.core.contributions import Contributions


def weigh_entries(
    found: Contributions, document: SearchDocument, *, ids: Sequence[str], today_year: int
) -> Weighed:
    """found: of the search; ids: the similar cases, in the order wanted."""
    column = {id_: place for place, id_ in enumerate(found.ids)}
    missing = len(found.ids)  # a column of NaN at the end
    order = np.array([column.get(id_, missing) for id_ in ids], np.int64)
    empty = np.full((len(found.items), 1), np.nan)
    return Weighed(
        items=tuple(_tell(block, key, document, today_year) for block, key in found.items),
        groups=tuple(block for block, _ in found.items),
        without=np.hstack([found.without, empty])[:, order],
        met=np.hstack([found.met, empty])[:, order],
    )


def _tell(block: str, key: str, document: SearchDocument, today_year: int) -> Mapping[str, Any]:
    if block == "codes":
        return {"code": key}
    if block == "symptoms":
        when = [c for s in document.symptoms if s.symptom == key for c in s.when]
        return {"symptom": key} | ({"when": list(dict.fromkeys(when))} if when else {})
    if block == "findings":
        told = [describe_finding(f) for f in document.findings if f.check == key]
        # The last one noted is the one that counts.
        return {name: value for name, value in told[-1].items() if name != "stage"}
    vehicle = document.vehicle
    if block == "age":
        return {"age_years": max(0, today_year - (vehicle.year or today_year))}
    km = vehicle.odometer.km if vehicle.odometer else None
    return {"odometer_km": None if km is None else round(km)}


def names_only_circuits(document: SearchDocument) -> bool:
    """Whether there are codes and all of them are the standard's: the maker's own say more."""
    codes = [code.base for code in document.codes]
    return bool(codes) and all(describe_code(code).scope == "generic" for code in codes)
