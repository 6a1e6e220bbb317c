"""What the evidence of a search foretells of repairs, by the forecast in force.

A forecast reads the profiles of one model of cures (`search.adapter.learning`), so it belongs to
that one. Searches whose index has another model, and other horizons than the one it was learned
for, go without: the outlook is drawn towards the cohorts around it then.
"""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from casebook.cases.constants import HORIZON_DAYS
from casebook.outcomes.forecast import ForecastModel, foretell_query
from casebook.outcomes.models import LearnedForecast
from search.adapter import SearchResult


def foretell(result: SearchResult, *, horizon_days: float) -> NDArray[np.float64] | None:
    """How likely each of LEVELS holds on the vehicle searched for, (levels,), NaN where that is
    not foretold; None where nothing is."""
    cures = result.index.design.cures
    if cures is None or horizon_days != HORIZON_DAYS:
        return None
    forecast = _read_forecast(cures.fingerprint)
    return None if forecast is None else foretell_query(forecast, result.index, result.query)


def _read_forecast(fingerprint: str) -> ForecastModel | None:
    found = (
        LearnedForecast.objects.filter(cures_fingerprint=fingerprint, horizon_days=HORIZON_DAYS)
        .values_list("pk", "learned_at")
        .first()
    )
    return None if found is None else _load(*found)


@lru_cache(maxsize=4)
def _load(key: int, learned_at: datetime) -> ForecastModel | None:
    """A row of this key and moment never changes."""
    document = LearnedForecast.objects.values_list("forecast", flat=True).get(pk=key)
    return None if document is None else ForecastModel.from_document(document)
