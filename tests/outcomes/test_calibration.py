"""Judging outlooks on cases at hand: fairly, without the asking shops, against plain loops."""

from __future__ import annotations

import json

import numpy as np
import pytest
from sklearn.metrics import brier_score_loss

from casebook.cases.constants import LEVELS
from casebook.ops.calibration_report import calibration_document, describe_calibration
from casebook.outcomes.calibration import (
    FEWEST,
    NEIGHBOURS,
    OURS,
    USUAL,
    Calibration,
    error_by_chance,
    judge_forecasts,
    judge_outlooks,
)
from casebook.outcomes.case_pool import CasePool, TriedCase
from casebook.stats.calibration import seen_weights
from casebook.stats.durability import CAME_BACK, CENSORED
from search.core import Design

YEAR = 365
SERVICE, REPLACEMENT = LEVELS.index("service"), LEVELS.index("replacement")


def make_case(number, *, shop, held, words, level=SERVICE, days=400):
    return TriedCase(
        case={
            "id": f"{number:08x}",
            "complaint": words,
            "codes": [],
            "symptoms": [],
            "findings": [],
            "make": "Corvane",
            "model": "Parcel 300",
            "unit_kind": "ac_system",
            "unit_family": "KX-7",
            "age_years": 6.0,
            "odometer_km": 90_000.0,
            "cluster": shop,
        },
        first_level=level,
        event=CENSORED if held else CAME_BACK,
        event_days=days if held else 30.0,
    )


def some_pool(count=400, *, telling=True, seed=2):
    """Two complaints: what sounds like the one holds in nine of ten cases, the other in three."""
    rng = np.random.default_rng(seed)
    cases = []
    for number in range(count):
        good = rng.random() < 0.5
        held = rng.random() < ((0.9 if good else 0.3) if telling else 0.6)
        words = "compressor clicks cold" if good else "warm air hisses leak"
        cases.append(make_case(number, shop=number % 20, held=held, words=words))
    return cases


def plain_design(past):
    return Design()


def judge(cases, design_for=plain_design, **options):
    settings = {"horizon_days": YEAR, "most_queries": 1_000, "seed": 1} | options
    return judge_outlooks(cases, design_for, **settings)


def test_outlooks_that_tell_cases_apart_beat_the_usual_rate():
    found = judge(some_pool())
    rows = {row.way: row for row in found.rows}
    assert list(rows) == [OURS, NEIGHBOURS, USUAL]
    assert (found.asked, found.judged, found.shops) == (400, 400, 20)
    assert rows[USUAL].behind is not None
    assert rows[USUAL].behind[1] > 0
    assert rows[OURS].brier < 0.19 < rows[USUAL].brier
    assert rows[OURS].behind is None


def test_where_nothing_tells_cases_apart_nothing_is_gained():
    found = judge(some_pool(telling=False))
    usual = next(row for row in found.rows if row.way == USUAL)
    assert usual.behind is not None
    assert abs(usual.behind[0]) < 0.01


def test_no_case_is_foretold_from_its_own_shop(monkeypatch):
    """Neither what is learned nor what is searched holds a case of the asking shop."""
    learned: list[set[int]] = []
    asked = []

    def design_for(past):
        learned.append({one.cluster for one in past})
        return Design()

    real = CasePool.ask

    def ask(self, index, query, **options):
        found = real(self, index, query, **options)
        shops = {one.cluster for one in self.cases}
        asked.append((query["cluster"], shops == learned[-1], query["cluster"] in shops))
        return found

    monkeypatch.setattr(CasePool, "ask", ask)
    judge(some_pool(120), design_for)
    assert len(learned) == 5
    assert len(asked) == 120
    assert all(same and not own for _, same, own in asked)


def test_the_figures_equal_those_of_plain_loops():
    rng = np.random.default_rng(5)
    days, events = rng.integers(0, 700, 200).astype(float), rng.integers(0, 3, 200)
    forecasts = {OURS: rng.random(200), USUAL: np.full(200, 0.6)}
    forecasts[OURS][:9] = np.nan
    found = judge_forecasts(
        forecasts,
        days=days,
        events=events,
        shops=rng.integers(0, 12, 200),
        horizon_days=YEAR,
        seed=1,
    )
    held, weight = seen_weights(days, events, YEAR)
    said = np.where(np.isnan(forecasts[OURS]), 0.6, forecasts[OURS])
    assert found.judged == (weight > 0).sum()
    assert found.not_said == pytest.approx((weight[:9] > 0).sum() / found.judged)
    assert found.rows[0].brier == pytest.approx(
        brier_score_loss(held, said, sample_weight=weight, pos_label=True)
    )
    gap = sum(
        w * ((0.6 - y) ** 2 - (p - y) ** 2) for w, y, p in zip(weight, held, said, strict=True)
    )
    assert found.rows[1].behind is not None
    assert found.rows[1].behind[0] == pytest.approx(gap / weight.sum())


def test_cases_that_were_lost_are_asked_and_not_judged():
    cases = some_pool(200)
    lost = [
        make_case(1_000 + i, shop=i % 20, held=True, words="compressor clicks", days=20)
        for i in range(100)
    ]
    found = judge(cases + lost)
    assert (found.asked, found.judged) == (300, 200)


def test_looking_alone_is_not_judged():
    looked = [
        make_case(2_000 + i, shop=i % 20, held=True, words="compressor", level=LEVELS.index("none"))
        for i in range(50)
    ]
    assert judge(some_pool(200) + looked).asked == 200


@pytest.mark.parametrize("cases", [[], some_pool(FEWEST - 10), some_pool(200)[::20]])
def test_too_little_says_so_and_no_figure(cases):
    found = judge(cases)
    assert found.rows == ()
    assert found.judged < FEWEST
    assert "can't be judged yet" in describe_calibration(found)
    assert calibration_document(found)["reliability"] is None


def test_no_more_cases_ask_than_were_wanted():
    steps = []
    found = judge(some_pool(200), most_queries=80, on_step=lambda: steps.append(1))
    assert found.asked == len(steps) == 80


def test_the_same_seed_gives_the_same_figures():
    assert (
        judge(some_pool(150), most_queries=60).rows == judge(some_pool(150), most_queries=60).rows
    )


def test_a_level_that_others_hardly_took_is_judged_by_some_rate():
    odd = [
        make_case(3_000, shop=3, held=False, words="compressor clicks", level=REPLACEMENT),
        *some_pool(200),
    ]
    found = judge(odd)
    assert found.judged == 201
    assert all(np.isfinite([row.brier, row.log_loss]).all() for row in found.rows)


def test_the_error_by_chance_is_that_of_perfect_forecasts():
    rng = np.random.default_rng(6)
    p = rng.random(500)
    assert error_by_chance(p, np.ones(500), seed=1) == pytest.approx(0.045, abs=0.004)


def test_the_report_says_every_figure():
    found = judge(some_pool(200))
    text = describe_calibration(found)
    for row in found.rows:
        assert f"{row.brier:.4f}" in text
        assert f"{row.log_loss:.4f}" in text
    document = json.loads(json.dumps(calibration_document(found)))
    assert document["rows"][1]["behind"]["mean"] == pytest.approx(found.rows[1].behind[0])
    assert sum(row["share"] for row in document["reliability"]) == pytest.approx(1)


def test_limits_that_cannot_be_are_refused():
    with pytest.raises(ValueError):
        judge([], horizon_days=0)
    with pytest.raises(ValueError):
        judge([], most_queries=0)


def test_a_report_of_nothing_is_plain_values():
    assert calibration_document(Calibration(0, 0, 0, YEAR))["rows"] == ()
