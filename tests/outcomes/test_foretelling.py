"""What an installation learns to foretell from the evidence, and where its outlook shows it."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from casebook.cases.constants import HORIZON_DAYS, LEVELS
from casebook.cases.reading import read_search
from casebook.cases.services import today
from casebook.outcomes import forecast_fitting, forecast_learning
from casebook.outcomes.answer import answer_search
from casebook.outcomes.evaluation import evaluate_outlooks, read_tried
from casebook.outcomes.forecast import ForecastModel
from casebook.outcomes.forecast_learning import learn_forecast
from casebook.outcomes.models import LearnedForecast
from casebook.outcomes.tasks import learn_forecast_where_due
from search import adapter
from search.adapter import learning
from search.core import profile_fitting
from search.models import LearnedDesign
from tests import factories

INPUTS = len(LEVELS) + 2


@pytest.fixture(autouse=True)
def own_index(settings, tmp_path):
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    yield
    adapter.server.forget()


@pytest.fixture
def shops(database, monkeypatch):
    """Five shops whose cases of two faults suffice for a model of cures."""
    monkeypatch.setattr(learning, "FEWEST_CASES", 12)
    monkeypatch.setattr(profile_fitting, "FEWEST_CASES", 12)
    monkeypatch.setattr(profile_fitting, "FEWEST_SHOPS", 3)
    monkeypatch.setattr(profile_fitting, "FEWEST_IN_CLASS", 3)
    monkeypatch.setattr(profile_fitting, "FEWEST_WITH_FEATURE", 2)
    made = [factories.make_shop() for _ in range(5)]
    for shop in made:
        for number in range(8):
            grinds = number % 2 == 0
            factories.make_case(
                shop,
                complaint="grinding and screeching" if grinds else "lukewarm and hissing",
                opened_on="2024-03-01",
                attempts=[
                    {
                        "on": "2024-03-02",
                        "level": "component" if grinds else "service",
                        "actions": ["replace_compressor" if grinds else "recharge_refrigerant"],
                        "result": "fixed",
                    }
                ],
                follow_ups=[{"on": "2025-04-02", "state": "holding"}],
            )
    adapter.build_index()
    return made


def fingerprint():
    return LearnedDesign.objects.get(is_active=True).model_fingerprint


def keep(service_log_odds, *, of=None, horizon_days=HORIZON_DAYS):
    """A forecast that says the same of every vehicle, and nothing of other levels."""
    intercepts = np.full(len(LEVELS), np.nan)
    intercepts[LEVELS.index("service")] = service_log_odds
    model = ForecastModel((), np.zeros(len(LEVELS)), np.zeros((len(LEVELS), INPUTS)), intercepts)
    return LearnedForecast.objects.create(
        cures_fingerprint=of or fingerprint(),
        horizon_days=horizon_days,
        forecast=model.as_document(),
        learned_at=timezone.now(),
    )


def holds(shop, level="service", **request):
    data = factories.case_data()
    request = (
        {name: data[name] for name in ("vehicle", "unit")} | {"complaint": "hissing"} | request
    )
    answer = answer_search(shop=shop, document=read_search(request, today=today()))
    return next(row for row in answer["outlook"]["levels"] if row["level"] == level)


def test_the_outlook_is_drawn_towards_what_is_foretold(shops):
    plain = holds(shops[0])
    keep(-3.0)
    drawn = holds(shops[0])
    assert drawn["holds"] < plain["holds"] - 0.03
    assert drawn["tried"] == plain["tried"]


def test_a_newer_forecast_serves_the_next_search(shops):
    row = keep(-3.0)
    before = holds(shops[0])["holds"]
    row.forecast["intercepts"][LEVELS.index("service")] = 3.0
    row.learned_at = timezone.now() + timedelta(seconds=1)
    row.save()
    assert holds(shops[0])["holds"] > before


@pytest.mark.parametrize(
    "other", [{"of": "another_model"}, {"horizon_days": 100.0}], ids=["model", "horizon"]
)
def test_a_forecast_for_something_else_is_not_used(shops, other):
    plain = holds(shops[0])
    keep(-3.0, **other)
    assert holds(shops[0]) == plain


def test_searches_for_another_horizon_go_without(shops):
    plain = holds(shops[0], horizon_days=180)
    keep(-3.0)
    assert holds(shops[0], horizon_days=180) == plain


def test_what_is_learned_belongs_to_the_model_of_cures_in_force(shops):
    row = learn_forecast()
    assert row is not None
    assert row.cures_fingerprint == fingerprint()
    assert row.forecast is None
    assert row.report["why"] == "too few cases or shops"
    assert row.report["cases"] == 40
    assert holds(shops[0])["holds"] is not None


def test_with_enough_cases_a_forecast_is_kept_that_searches_use(shops, monkeypatch):
    """Everything held but one repair in ten: hardly a model to trust, but one to run through."""
    for shop in shops:
        for _ in range(4):
            factories.make_case(
                shop,
                complaint="lukewarm and hissing",
                opened_on="2024-03-01",
                attempts=[{"on": "2024-03-02", "level": "service", "result": "not_fixed"}],
            )
    monkeypatch.setattr(forecast_fitting, "FEWEST_CASES", 20)
    monkeypatch.setattr(forecast_fitting, "SURE", 0.0001)
    monkeypatch.setattr(
        forecast_fitting._Table, "rates", lambda table, seen, own: np.full(len(own), 0.02)
    )
    row = learn_forecast()
    assert row is not None
    assert row.forecast is not None
    assert row.report["gain"][0] > 0
    assert ForecastModel.from_document(row.forecast).kinds == ("ac_system",)
    assert 0.2 < holds(shops[0])["holds"] < 0.95


def test_it_is_learned_once_a_week_and_when_asked_for(shops):
    learn_forecast_where_due()
    [first] = LearnedForecast.objects.all()
    assert learn_forecast() is None
    assert learn_forecast(anew=True) is not None
    LearnedForecast.objects.update(learned_at=timezone.now() - timedelta(days=8))
    learn_forecast_where_due()
    [again] = LearnedForecast.objects.all()
    assert again.pk == first.pk
    assert again.learned_at > first.learned_at


def test_without_a_model_of_cures_there_is_nothing_to_learn(shops):
    LearnedDesign.objects.update(is_active=False)
    assert learn_forecast() is None
    assert not LearnedForecast.objects.exists()


def test_forecasts_of_models_long_gone_are_forgotten(shops, monkeypatch):
    monkeypatch.setattr(forecast_learning, "KEPT", 2)
    for number in range(3):
        row = keep(1.0, of=f"old_{number}")
        LearnedForecast.objects.filter(pk=row.pk).update(
            learned_at=timezone.now() - timedelta(days=30 + number)
        )
    learn_forecast()
    names = set(LearnedForecast.objects.values_list("cures_fingerprint", flat=True))
    assert names == {fingerprint(), "old_0"}


def test_a_search_asks_for_the_forecast_in_one_short_statement(shops):
    keep(1.0)
    holds(shops[0])
    with CaptureQueriesContext(
        connection,
    ) as captured:
        holds(shops[0])
    asked = [q["sql"] for q in captured if "learnedforecast" in q["sql"]]
    assert len(asked) == 1
    assert '"forecast"' not in asked[0]


# --- Judging them -----------------------------------------------------------------------------


def test_all_tried_cases_are_read_as_they_became(shops):
    cases = read_tried(1_000)
    assert len(cases) == 40
    assert {LEVELS[one.first_level] for one in cases} == {"service", "component"}
    assert {one.event_days for one in cases} == {396.0}
    assert all(one.resolved_by == one.first_level for one in cases)
    assert {one.cure.actions for one in cases if one.cure} == {
        ("replace_compressor",),
        ("recharge_refrigerant",),
    }
    assert len(read_tried(7)) == 7


def test_an_installation_judges_its_own_outlooks(shops, monkeypatch):
    monkeypatch.setattr("casebook.outcomes.calibration.FEWEST", 20)
    found = evaluate_outlooks(most_queries=30)
    assert (found.asked, found.judged, found.shops) == (30, 30, 5)
    assert found.rows[0].brier < 0.05
    with pytest.raises(ValueError):
        evaluate_outlooks(most_cases=0)


def test_the_command_judges_outlooks_beside_the_search(shops, monkeypatch, capsys):
    monkeypatch.setattr("casebook.outcomes.calibration.FEWEST", 20)
    call_command("evaluate_search", "--queries", "30")
    said = capsys.readouterr().out
    assert "Outlooks at 365 days: 30 cases asked" in said
    assert "by chance alone" in said
    call_command("evaluate_search", "--queries", "30", "--json")
    outlooks = json.loads(capsys.readouterr().out)["outlooks"]
    assert outlooks["rows"][0]["way"] == "Casebook"
    assert set(outlooks["rows"][1]["behind"]) == {"mean", "low", "high"}


def test_the_command_says_when_outlooks_cannot_be_judged(shops, capsys):
    call_command("evaluate_search", "--queries", "5")
    assert "Outlooks can't be judged yet: 5 cases" in capsys.readouterr().out


def test_tuning_learns_the_forecast_too(shops, capsys):
    call_command("tune_similarity")
    assert "foretold from 40 followed cases: too few cases or shops" in capsys.readouterr().out
    assert LearnedForecast.objects.filter(cures_fingerprint=fingerprint()).exists()
