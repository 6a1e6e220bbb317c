"""Learns from this installation's own resolved cases, and keeps what was learned.

The model of cures is fitted before the first index that has enough resolved cases to fit it to;
weights are tuned, and the model fitted anew, by `tune_similarity` and by the worker where much has
changed. What a person has chosen (`use_learned`, `set_back`) stays until they tune again.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from django.db import connection, transaction

from casebook.cases.constants import HORIZON_DAYS
from casebook.cases.outbox import INDEX, note_effect
from casebook.shops.tenancy import reading_shared
from search.adapter.documents import current_design, read_shared_case
from search.core.profile import CureModel
from search.core.profile_fitting import FEWEST_CASES, SCALES, Fitted, fit_model
from search.core.resolved import Cure, Followed, certainties
from search.core.tuning import Tuned, tune_weights
from search.models import LearnedDesign

log = logging.getLogger("casebook.search")

# Rows come in the order of their ids, which are drawn at random: the first are a sample.
MOST_RESOLVED = 60_000
# The first model must not keep the first index waiting; the worker fits it anew by all choices.
FIRST_PENALTY = (0.3,)
KEPT = 10
_LOCK = 0x_CA5E_B00C_0002
# When learning anew is worth it: so long after the last time, and so many more resolved cases.
SHORTEST_PAUSE = timedelta(days=7)
GROWTH_WORTH_LEARNING = 1.1


@dataclass(frozen=True)
class Learned:
    """id: of the design that is active now. fitted, tuned: what it comes from."""

    id: int
    fitted: Fitted
    tuned: Tuned
    cases: int


def learn_first() -> bool:
    """Fit the model of cures where nothing was ever learned and there is enough to learn from."""
    if LearnedDesign.objects.exists() or count_resolved() < FEWEST_CASES:
        return False
    followed = read_followed()
    fitted = fit_model(followed, current_design(), scales=SCALES, penalties=FIRST_PENALTY)
    if fitted.model is None:
        return False
    with transaction.atomic():
        if not _lock() or LearnedDesign.objects.exists():
            return False
        _keep(LearnedDesign.Source.FIRST, {}, fitted.model, len(followed), describe_fit(fitted))
    return True


def learn(*, seed: int = 1, on_step: Callable[[str], None] | None = None) -> Learned | None:
    """Fit the model, tune the weights, and put both in force; None where another process is at
    it. The weights stay as set by hand where tuning gains nothing for sure."""
    step = on_step or (lambda _: None)
    with transaction.atomic():
        if not _lock():
            return None
        followed = read_followed()
        design = current_design()
        fitted = fit_model(followed, design, seed=seed, on_kind=lambda _: step("fitting"))
        tuned = tune_weights(followed, design, scales=fitted.scales, seed=seed, on_step=step)
        row = _keep(
            LearnedDesign.Source.TUNED,
            dict(tuned.weights) if tuned.learned else {},
            fitted.model,
            len(followed),
            describe_fit(fitted) | {"tuning": _plain(asdict(tuned))},
        )
    return Learned(row.pk, fitted, tuned, len(followed))


def set_back() -> LearnedDesign:
    """Weights as set by hand; the model of cures stays."""
    with transaction.atomic():
        before = LearnedDesign.objects.filter(is_active=True).first()
        model = None if before is None or before.model is None else bytes(before.model)
        return _keep(
            LearnedDesign.Source.BY_HAND,
            {},
            None if model is None else CureModel.from_bytes(model),
            0 if before is None else before.resolved_cases,
            {} if before is None else before.report,
            chosen=True,
        )


def use_learned(learned_id: int) -> bool:
    """Put one that was learned earlier in force again; False where there is none such."""
    with transaction.atomic():
        row = LearnedDesign.objects.select_for_update().filter(pk=learned_id).first()
        if row is None:
            return False
        LearnedDesign.objects.filter(is_active=True).update(is_active=False)
        LearnedDesign.objects.filter(pk=learned_id).update(is_active=True, is_chosen=True)
        note_effect(INDEX, "outdated")
    return True


def is_learning_due(*, now: datetime) -> bool:
    row = LearnedDesign.objects.defer("model").filter(is_active=True).first()
    count = count_resolved()
    if row is None:
        return count >= FEWEST_CASES
    if row.is_chosen:
        return False
    if row.source == LearnedDesign.Source.FIRST:
        return True
    if row.reading_fingerprint != current_design().fingerprint:
        return True
    old_enough = now - row.learned_at >= SHORTEST_PAUSE
    return old_enough and count >= GROWTH_WORTH_LEARNING * row.resolved_cases


def count_resolved() -> int:
    with reading_shared(), connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM cases_sharedcase WHERE resolved_by IS NOT NULL")
        return int(cursor.fetchone()[0])


def read_followed() -> list[Followed]:
    """Resolved cases and what became of service tried first; at most MOST_RESOLVED."""
    with reading_shared(), connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT id, cluster, document, first_level, event, event_days
            FROM cases_sharedcase WHERE resolved_by IS NOT NULL ORDER BY id LIMIT %s
            """,
            [MOST_RESOLVED],
        )
        rows = cursor.fetchall()
    followed, days, events = [], [], []
    for id_, cluster, document, first_level, event, event_days in rows:
        told = json.loads(document) if isinstance(document, str) else document
        row = {"id": id_, "cluster": cluster, "document": told, "with_outcome": True}
        followed.append(Followed(read_shared_case(row), read_cure(told)))
        served = first_level == "service"
        days.append(float(event_days) if served and event_days is not None else np.nan)
        events.append({"came_back": 1, "gone": 2}.get(event, 0))
    held, certainty = certainties(np.array(days), np.array(events), horizon_days=HORIZON_DAYS)
    return [
        replace(one, held=None if weight == 0 else bool(holds), certainty=float(weight))
        for one, holds, weight in zip(followed, held, certainty, strict=True)
    ]


def read_cure(document: dict[str, Any]) -> Cure:
    """Of a resolved case: the last attempt at the level that resolved it."""
    level = document["outcome"]["resolved_by"]
    # Looking without doing is no cure, unless it was all that was done.
    cures = [attempt for attempt in document["attempts"] if attempt["level"] == level]
    return Cure(level, tuple(sorted(cures[-1]["actions"])) if cures else ())


def describe_fit(fitted: Fitted) -> dict[str, Any]:
    return {
        "scales": dict(fitted.scales),
        "kinds": [_plain(asdict(kind)) for kind in fitted.kinds],
    }


def _keep(
    source: LearnedDesign.Source,
    weights: dict[str, float],
    model: CureModel | None,
    cases: int,
    report: dict[str, Any],
    *,
    chosen: bool = False,
) -> LearnedDesign:
    """Write and put in force; forget what was superseded long ago; ask for a new index."""
    LearnedDesign.objects.filter(is_active=True).update(is_active=False)
    row = LearnedDesign.objects.create(
        source=source,
        weights=weights,
        model=None if model is None else model.to_bytes(),
        model_fingerprint="" if model is None else model.fingerprint,
        reading_fingerprint=current_design().fingerprint,
        resolved_cases=cases,
        report=report,
        is_active=True,
        is_chosen=chosen,
    )
    kept = LearnedDesign.objects.order_by("-pk").values_list("pk", flat=True)[:KEPT]
    LearnedDesign.objects.exclude(pk__in=list(kept)).delete()
    note_effect(INDEX, "outdated")
    log.info("learned design %s (%s) of %d resolved cases is active", row.pk, source, cases)
    return row


def _lock() -> bool:
    """One learner at a time; until the end of the transaction."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [_LOCK])
        return bool(cursor.fetchone()[0])


def _plain(value: Any) -> Any:
    """For JSON, which knows no NaN."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, float):
        return None if not np.isfinite(value) else round(value, 6)
    return value
