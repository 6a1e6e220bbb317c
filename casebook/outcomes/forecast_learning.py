"""Learns to foretell from the evidence how likely repairs hold, and keeps what it learned.

Apart from `foretelling`, which serves it: fitting brings libraries that no request needs.
"""

from __future__ import annotations

import logging
from dataclasses import asdict
from datetime import timedelta
from typing import Any, Final

import numpy as np
from django.db import connection, transaction
from django.utils import timezone

from casebook.cases.constants import HORIZON_DAYS
from casebook.outcomes.case_pool import fit_to_cases
from casebook.outcomes.evaluation import read_tried
from casebook.outcomes.models import LearnedForecast
from search.adapter.learned import read_active_design

log = logging.getLogger("casebook.outcomes")

# Outcomes come in slowly; learning takes about a minute on a large installation.
LEARN_EVERY: Final = timedelta(days=7)
MOST_CASES: Final = 60_000
KEPT: Final = 10
_LOCK: Final = 0x_CA5E_B00C_0003


def learn_forecast(*, anew: bool = False, seed: int = 1) -> LearnedForecast | None:
    """Fit to the model of cures in force, where there is one and nothing fitted to it is younger
    than LEARN_EVERY; `anew`: whatever its age. None where there was nothing to do."""
    design = read_active_design()
    if design.cures is None or not (anew or _is_due(design.cures.fingerprint)):
        return None
    with transaction.atomic():
        if not _lock():
            return None
        fit = fit_to_cases(read_tried(MOST_CASES), design, horizon_days=HORIZON_DAYS, seed=seed)
        report = {name: value for name, value in asdict(fit).items() if name != "model"}
        row, _ = LearnedForecast.objects.update_or_create(
            cures_fingerprint=design.cures.fingerprint,
            defaults={
                "horizon_days": HORIZON_DAYS,
                "forecast": None if fit.model is None else fit.model.as_document(),
                "report": _plain(report),
                "learned_at": timezone.now(),
            },
        )
        newest = LearnedForecast.objects.order_by("-learned_at").values_list("pk", flat=True)
        LearnedForecast.objects.exclude(pk__in=list(newest[:KEPT])).delete()
    log.info("forecast from %d cases: %s", fit.cases, fit.why or "in use")
    return row


def _is_due(fingerprint: str) -> bool:
    since = timezone.now() - LEARN_EVERY
    return not LearnedForecast.objects.filter(
        cures_fingerprint=fingerprint, learned_at__gt=since
    ).exists()


def _lock() -> bool:
    """One learner at a time; until the end of the transaction."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [_LOCK])
        return bool(cursor.fetchone()[0])


def _plain(report: dict[str, Any]) -> dict[str, Any]:
    """JSON knows no NaN."""
    return {
        name: None if isinstance(value, float) and np.isnan(value) else value
        for name, value in report.items()
    }
