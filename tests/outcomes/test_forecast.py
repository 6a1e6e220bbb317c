"""The model of the evidence: what it learns, when it holds back, and that it is what it says."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.special import expit
from sklearn.linear_model import LogisticRegression

from casebook.cases.constants import LEVELS
from casebook.outcomes.forecast import Evidence, ForecastModel, read_inputs
from casebook.outcomes.forecast_fitting import _choose, _Table, fit_forecast

COUNT, SHOPS = 1_200, 24
KINDS = ("engine", "turbocharger")


def some_cases(seed=1, *, told=True, count=COUNT):
    """Service holds where service would cure; what goes further holds mostly; old ones less."""
    rng = np.random.default_rng(seed)
    chances = rng.dirichlet(np.full(len(LEVELS), 0.7), size=count)
    age = rng.uniform(1, 20, size=count)
    level = rng.integers(1, len(LEVELS), size=count)
    enough = np.array([row[: place + 1].sum() for row, place in zip(chances, level, strict=True)])
    truth = expit(3.0 * (enough - 0.4) - 0.05 * (age - 10))
    if not told:
        truth = np.full(count, 0.6)
    evidence = Evidence(chances, age, rng.choice(KINDS, size=count).tolist())
    arrays = {
        "level": level,
        "held": rng.random(count) < truth,
        "weights": rng.choice([0.0, 1.0, 1.5], size=count, p=[0.2, 0.5, 0.3]),
        "shops": rng.integers(SHOPS, size=count),
    }
    return evidence, arrays, truth


def test_it_foretells_cases_it_has_not_seen():
    evidence, arrays, _ = some_cases()
    fit = fit_forecast(evidence, **arrays)
    assert fit.model is not None
    assert fit.gain is not None
    assert fit.gain[1] > 0.005
    other, later, truth = some_cases(seed=2)
    forecast = fit.model.foretell(other)[np.arange(COUNT), later["level"]]
    assert np.corrcoef(forecast, truth)[0, 1] > 0.9
    # Neither too bold nor too timid, within chance.
    for low in (0.2, 0.4, 0.6, 0.8):
        these = (forecast >= low) & (forecast < low + 0.2)
        assert abs(forecast[these].mean() - truth[these].mean()) < 0.06


def test_where_evidence_tells_nothing_cases_are_not_told_apart():
    evidence, arrays, _ = some_cases(told=False)
    model = fit_forecast(evidence, **arrays).model
    if model is not None:
        assert np.nanstd(model.foretell(evidence)[:, 1]) < 0.02


def test_a_model_that_has_fitted_noise_is_not_used(monkeypatch):
    monkeypatch.setattr("casebook.outcomes.forecast_fitting.PENALTIES", (1_000.0,))
    evidence, arrays, _ = some_cases(told=False, count=300)
    fit = fit_forecast(evidence, **arrays)
    assert fit.model is None
    assert "no better" in fit.why
    assert fit.gain is not None
    assert fit.gain[0] < 0


@pytest.mark.parametrize("change", ["few cases", "few shops", "nothing known", "all held"])
def test_too_little_to_learn_from_gives_none(change):
    evidence, arrays, _ = some_cases()
    if change == "few cases":
        evidence, arrays, _ = some_cases(count=150)
    elif change == "few shops":
        arrays["shops"] = arrays["shops"] % 4
    elif change == "nothing known":
        arrays["weights"] = np.zeros(COUNT)
    else:
        arrays["held"] = np.ones(COUNT, bool)
    fit = fit_forecast(evidence, **arrays)
    assert fit.model is None
    assert fit.gain is None
    assert fit.why == "too few cases or shops"


def test_what_was_lost_and_what_was_only_looked_at_teach_nothing():
    evidence, arrays, _ = some_cases()
    out = (arrays["weights"] == 0) | (np.arange(COUNT) < 40)
    arrays["level"] = np.where(np.arange(COUNT) < 40, 0, arrays["level"])
    kept = np.flatnonzero(~out)
    whole = fit_forecast(evidence, **arrays)
    part = fit_forecast(
        evidence.take(kept), **{name: values[kept] for name, values in arrays.items()}
    )
    assert whole.cases == part.cases == len(kept)
    assert whole.model is not None
    assert part.model is not None
    np.testing.assert_allclose(whole.model.coefficients, part.model.coefficients)


def test_the_folded_coefficients_are_those_of_the_plain_regression():
    """Shared inputs and those of a level add up: the same forecasts as scikit-learn's own."""
    evidence, arrays, _ = some_cases(count=300)
    level, y, w = arrays["level"], arrays["held"].astype(int), arrays["weights"] + 0.1
    table = _Table(evidence, level, y, w)
    model = table.fit(np.arange(300), 0.1)
    rows = []
    for inputs, place in zip(table.inputs, level, strict=True):
        own = [inputs if place == at else np.zeros(len(inputs)) for at in range(len(LEVELS))]
        rows.append(np.concatenate([inputs, *own, 2.0 * np.eye(len(LEVELS))[place]]))
    plain = LogisticRegression(C=0.1, max_iter=1_000).fit(np.array(rows), y, sample_weight=w)
    np.testing.assert_allclose(
        model.foretell(evidence)[np.arange(300), level],
        plain.predict_proba(np.array(rows))[:, 1].clip(1e-3, 1 - 1e-3),
        atol=1e-6,
    )


def test_a_level_that_nobody_tried_is_not_foretold():
    evidence, arrays, _ = some_cases()
    arrays["level"] = np.where(arrays["level"] == 4, 3, arrays["level"])
    model = fit_forecast(evidence, **arrays).model
    assert model is not None
    forecast = model.foretell(evidence)
    assert np.isnan(forecast[:, [0, 4]]).all()
    assert ((forecast[:, 1:4] > 0) & (forecast[:, 1:4] < 1)).all()


def test_what_is_not_known_of_a_case_counts_as_the_middle():
    evidence, arrays, _ = some_cases()
    model = fit_forecast(evidence, **arrays).model
    assert model is not None
    nothing = Evidence(np.full((1, len(LEVELS)), np.nan), np.array([np.nan]), ["gearbox"])
    forecast = model.foretell(nothing)[0, 1:]
    assert ((forecast > 0.3) & (forecast < 0.9)).all()


def test_a_model_survives_being_kept():
    evidence, arrays, _ = some_cases()
    arrays["level"] = np.where(arrays["level"] == 4, 3, arrays["level"])
    model = fit_forecast(evidence, **arrays).model
    assert model is not None
    again = ForecastModel.from_document(json.loads(json.dumps(model.as_document())))
    np.testing.assert_array_equal(again.foretell(evidence), model.foretell(evidence))
    with pytest.raises(ValueError):
        ForecastModel.from_document(model.as_document() | {"format": 99})


def test_the_same_cases_give_the_same_model():
    evidence, arrays, _ = some_cases()
    first, second = (fit_forecast(evidence, **arrays) for _ in range(2))
    assert first.model is not None
    assert second.model is not None
    np.testing.assert_array_equal(first.model.coefficients, second.model.coefficients)


def test_of_penalties_that_hardly_differ_the_strongest_is_taken():
    rng = np.random.default_rng(3)
    shops = np.repeat(np.arange(20), 30)
    base = rng.random(600)
    noise = rng.normal(0, 0.2, 600)
    near = base + 0.002 + noise - noise.mean()
    assert _choose({0.01: near, 0.1: base}, shops, seed=1) == 0.01
    assert _choose({0.01: near + 0.2, 0.1: base}, shops, seed=1) == 0.1


def test_inputs_are_what_they_are_said_to_be():
    evidence = Evidence(np.array([[0.1, 0.2, 0.3, 0.2, 0.2]]), np.array([20.0]), ["b"])
    inputs = read_inputs(evidence, ("a", "b"), np.zeros(len(LEVELS)))
    np.testing.assert_allclose(inputs[0, : len(LEVELS)], np.log(evidence.chances[0] + 0.03))
    np.testing.assert_allclose(inputs[0, len(LEVELS) :], [1.0, 0.0, 0.0, 0.5])


def test_lengths_that_differ_are_refused():
    evidence, arrays, _ = some_cases(count=300)
    with pytest.raises(ValueError):
        fit_forecast(evidence, **(arrays | {"shops": arrays["shops"][:-1]}))
