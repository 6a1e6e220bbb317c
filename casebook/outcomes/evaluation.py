"""Whether this installation's outlooks come true: reads its cases and judges. Reads as the reader
role."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Final

from django.db import connection

from casebook.cases.constants import HORIZON_DAYS
from casebook.outcomes.calibration import Calibration, judge_outlooks
from casebook.outcomes.case_pool import TriedCase
from casebook.outcomes.similar import EVENTS, PLACE_OF_LEVEL
from casebook.shops.tenancy import reading_shared
from search.adapter.documents import read_shared_case
from search.adapter.learned import find_active, read_wanted
from search.adapter.learning import read_cure
from search.core import Design
from search.core.profile_fitting import SCALES, fit_model
from search.core.resolved import Followed

MOST_CASES: Final = 20_000
MOST_QUERIES: Final = 1_000


def evaluate_outlooks(
    *,
    most_cases: int = MOST_CASES,
    most_queries: int = MOST_QUERIES,
    horizon_days: float = HORIZON_DAYS,
    seed: int = 1,
    on_step: Callable[[], None] | None = None,
) -> Calibration:
    """On a sample of at most so many cases in which something was tried, at most so many of which
    ask. on_step: called for every query asked. Raises ValueError unless all limits are positive."""
    if most_cases < 1:
        raise ValueError("need at least one case")
    return judge_outlooks(
        read_tried(most_cases),
        design_for,
        horizon_days=horizon_days,
        most_queries=most_queries,
        seed=seed,
        on_step=on_step,
    )


def read_tried(most: int) -> list[TriedCase]:
    """Shared ids are random, so the first are a sample."""
    with reading_shared(), connection.cursor() as cursor:
        cursor.execute(
            "SELECT id, cluster, document, first_level, event, event_days, resolved_by"
            " FROM cases_sharedcase WHERE first_level IS NOT NULL ORDER BY id LIMIT %s",
            [most],
        )
        rows = cursor.fetchall()
    return [_read(*row) for row in rows]


def _read(
    id_: object,
    cluster: int,
    document: Any,
    first_level: str,
    event: str,
    event_days: float | None,
    resolved_by: str | None,
) -> TriedCase:
    told: dict[str, Any] = json.loads(document) if isinstance(document, str) else document
    row = {"id": id_, "cluster": cluster, "document": told, "with_outcome": True}
    return TriedCase(
        case=read_shared_case(row),
        first_level=PLACE_OF_LEVEL[first_level],
        event=EVENTS[event],
        event_days=float(event_days or 0.0),
        resolved_by=-1 if resolved_by is None else PLACE_OF_LEVEL[resolved_by],
        cure=read_cure(told) if told["outcome"]["resolved_by"] else None,
    )


def design_for(past: Sequence[TriedCase]) -> Design:
    """The weights in force; what would cure a case is learned anew, from these cases alone."""
    with reading_shared():
        design = read_wanted(find_active()).design
    followed = [Followed(one.case, one.cure) for one in past if one.cure is not None]
    if not followed:
        return design
    return replace(design, cures=fit_model(followed, design, scales=SCALES).model)
