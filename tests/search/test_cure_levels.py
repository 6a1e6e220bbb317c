"""Chances that each level cures: profiles summed over the levels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from search.core import CaseIndex, Design
from search.core.cure_levels import case_level_chances, query_level_chances
from search.core.profile_fitting import SCALES, fit_model
from search.core.resolved import Cure, Followed
from tests.simulator.world import World

LEVELS = ("none", "service", "component", "overhaul", "replacement")


@pytest.fixture(scope="module")
def cases():
    return World(seed=31, shops=15).cases(1_200)


@pytest.fixture(scope="module")
def design(cases):
    followed = [Followed(one.case, Cure(one.level, (one.action,))) for one in cases]
    plain = Design()
    return replace(plain, cures=fit_model(followed, plain, scales=SCALES).model)


@pytest.fixture(scope="module")
def index(cases, design):
    return CaseIndex.build([one.case for one in cases], design=design)


def test_chances_of_all_levels_add_up(cases, design):
    chances = case_level_chances([one.case for one in cases], design, LEVELS)
    known = {one.kind for one in design.cures.kinds}
    has_model = np.array([one.case["unit_kind"] in known for one in cases])
    assert has_model.any()
    np.testing.assert_allclose(chances[has_model].sum(axis=1), 1.0)
    assert np.isnan(chances[~has_model]).all()


def test_the_level_that_cures_is_likelier_than_it_is_usual(cases, design):
    chances = case_level_chances([one.case for one in cases], design, LEVELS)
    place = np.array([LEVELS.index(one.level) for one in cases])
    told = ~np.isnan(chances[:, 0])
    usual = np.bincount(place[told], minlength=5) / told.sum()
    assert chances[told, place[told]].mean() > usual[place[told]].mean() + 0.1


def test_a_query_has_the_mean_of_all_models(cases, design, index):
    """Each fold's model by itself, as a past case of a shop of that fold would be described."""
    for one in cases[:5]:
        folds = []
        for fold in range(design.cures.folds):
            alone = replace(design.cures, fold_of={0: fold})
            moved = dict(one.case) | {"cluster": 0}
            folds.append(case_level_chances([moved], replace(design, cures=alone), LEVELS)[0])
        expected = np.mean(folds, axis=0)
        np.testing.assert_allclose(query_level_chances(index, one.case, LEVELS), expected)


def test_a_past_case_is_described_by_the_model_that_never_saw_its_shop(cases, design):
    """The same evidence from shops of different folds is described by different models."""
    fold_of = design.cures.fold_of
    shops = {fold: shop for shop, fold in fold_of.items()}
    same = [dict(cases[0].case) | {"cluster": shop} for shop in shops.values()]
    chances = case_level_chances(same, design, LEVELS)
    assert len(np.unique(chances.round(9), axis=0)) == len(shops)


def test_without_a_model_nothing_is_known(cases):
    plain = CaseIndex.build([one.case for one in cases[:20]], design=Design())
    assert np.isnan(query_level_chances(plain, cases[30].case, LEVELS)).all()
    assert np.isnan(case_level_chances([cases[0].case], Design(), LEVELS)).all()
    assert case_level_chances([], Design(), LEVELS).shape == (0, 5)


def test_a_kind_without_a_model_is_not_foretold(cases, index):
    strange = dict(cases[0].case) | {"unit_kind": "never_seen"}
    assert np.isnan(query_level_chances(index, strange, LEVELS)).all()
