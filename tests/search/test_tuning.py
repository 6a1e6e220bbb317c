"""Learned weights: what they find, what they leave alone, and what nothing of them has seen."""

import math
from dataclasses import replace

import numpy as np
import pytest

from search.core import CaseIndex, Design
from search.core import objective as objectives
from search.core.likeness import compare_blocks
from search.core.objective import (
    Comparisons,
    Weighting,
    as_vector,
    as_weights,
    fit,
    score,
)
from search.core.resolved import Cure, Followed, certainties
from search.core.tuning import FEWEST_OF_A_KIND, FOLDS, compare_held_out, learn, tune_weights
from tests.search.strategies import DESIGN as SMALL_DESIGN

BLOCKS = ("words", "codes", "findings", "unit")
START = {"words": 0.4, "codes": 0.3, "findings": 0.2, "unit": 0.1}


def make_comparisons(deciding=None, queries=400, candidates=40, seed=1, service=False):
    """Every block is noise, but for the deciding one."""
    rng = np.random.default_rng(seed)
    likeness = rng.random((queries, candidates, len(BLOCKS)))
    alike = rng.random((queries, candidates)) < 0.2
    alike[:, 0], alike[:, 1] = True, False
    held = rng.random((queries, candidates)) < 0.5
    own_held = rng.random(queries) < 0.5
    if deciding is not None:
        same = held == own_held[:, None] if service else alike
        likeness[:, :, BLOCKS.index(deciding)] = np.where(
            same, rng.beta(5, 2, same.shape), rng.beta(2, 5, same.shape)
        )
    shop = rng.integers(20, size=queries)
    return Comparisons(
        blocks=BLOCKS,
        likeness=likeness.astype(np.float32),
        asks=rng.random((queries, len(BLOCKS))) < 0.9,
        alike=alike,
        there=np.ones((queries, candidates), dtype=bool),
        held=held.astype(np.float32),
        certainty=np.full((queries, candidates), 1.2 if service else 0.0, dtype=np.float32),
        own_held=own_held.astype(float),
        own_certainty=np.full(queries, 1.2 if service else 0.0),
        shop=shop,
        fold=shop % FOLDS,
        usual=np.full(queries, 0.5),
    )


# --- What it finds, and what it leaves alone --------------------------------------------------


@pytest.mark.parametrize("deciding", BLOCKS)
def test_a_block_that_alone_decides_gets_nearly_all_the_weight(deciding):
    tuned = learn(make_comparisons(deciding), START, cases=2_000)
    assert tuned.learned
    assert tuned.gain.low > 0
    share = tuned.weights[deciding] / sum(tuned.weights.values())
    assert share > 0.75
    assert sum(tuned.weights.values()) == pytest.approx(sum(START.values()), abs=1e-3)


def test_a_block_that_foretells_service_gets_its_weight():
    tuned = learn(make_comparisons("codes", service=True), START, cases=2_000)
    assert tuned.learned
    assert tuned.weights["codes"] / sum(tuned.weights.values()) > 0.5


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_changes_nothing(seed):
    tuned = learn(make_comparisons(seed=seed), START, cases=2_000)
    assert not tuned.learned
    assert dict(tuned.weights) == START
    assert "no sure gain" in tuned.why


def test_too_few_comparisons_change_nothing():
    tuned = learn(make_comparisons("codes", queries=FEWEST_OF_A_KIND - 1), START, cases=2_000)
    assert not tuned.learned
    assert dict(tuned.weights) == START


def test_a_weight_of_zero_stays_zero():
    tuned = learn(make_comparisons("codes"), START | {"codes": 0.0}, cases=2_000)
    assert tuned.weights["codes"] == 0.0


def test_the_same_comparisons_give_the_same_weights():
    once, again = (learn(make_comparisons("codes"), START, cases=9) for _ in range(2))
    assert once == again


# --- The objective ----------------------------------------------------------------------------


def plain_score(together, weights, sharpness, query):
    """One query, one candidate at a time."""
    asked = [w if a else 0.0 for w, a in zip(weights, together.asks[query], strict=True)]
    similar = [
        sum(w * float(x) for w, x in zip(asked, row, strict=True)) / sum(asked)
        for row in together.likeness[query]
    ]
    drawn = [
        math.exp(sharpness * s) if there else 0.0
        for s, there in zip(similar, together.there[query], strict=True)
    ]
    same = sum(d for d, alike in zip(drawn, together.alike[query], strict=True) if alike)
    total = math.log(same / sum(drawn))
    certain = float(together.own_certainty[query])
    if certain:
        votes = [d * float(c) for d, c in zip(drawn, together.certainty[query], strict=True)]
        said = sum(v * float(h) for v, h in zip(votes, together.held[query], strict=True))
        chance = (4 * together.usual[query] + 20 * said / sum(votes)) / 24
        total += certain * math.log(chance if together.own_held[query] else 1 - chance)
    return total


@pytest.mark.parametrize("service", [False, True])
def test_the_score_is_the_plain_one(service):
    together = make_comparisons("codes", queries=12, service=service)
    weights = np.array([0.3, 0.2, 0.9, 0.1])
    scores = score(together, Weighting(weights, 7.0))
    for query, reached in enumerate(scores):
        if together.asks[query].any():
            assert reached == pytest.approx(plain_score(together, weights, 7.0, query), abs=1e-4)


@pytest.mark.parametrize("service", [False, True])
def test_its_slopes_are_those_of_finite_differences(service):
    together = make_comparisons("codes", queries=30, service=service)
    together = replace(together, likeness=together.likeness.astype(np.float64))
    weights, sharpness, step = np.array([0.3, 0.2, 0.9, 0.1]), 7.0, 1e-3
    _, by_weight, by_sharpness = objectives._score(together, Weighting(weights, sharpness))

    def moved(block, by):
        other = weights.copy()
        other[block] *= math.exp(by)
        return score(together, Weighting(other, sharpness)).sum()

    for block in range(len(weights)):
        slope = (moved(block, step) - moved(block, -step)) / (2 * step)
        assert by_weight[:, block].sum() == pytest.approx(slope, rel=0.02, abs=0.02)
    up, down = (
        score(together, Weighting(weights, sharpness * math.exp(by))).sum() for by in (step, -step)
    )
    assert by_sharpness.sum() == pytest.approx((up - down) / (2 * step), rel=0.02, abs=0.02)


def test_a_stronger_penalty_holds_weights_nearer_to_the_start():
    together, start = make_comparisons("codes"), as_vector(START, BLOCKS)

    def distance(penalty):
        moved = fit(together, start, penalty).weights
        return float(np.abs(np.log(moved / start)).max())

    assert distance(np.inf) == 0.0
    assert 0.0 < distance(1.0) < distance(0.1) < distance(0.001)


def test_weights_keep_the_sum_of_the_start_over_their_blocks():
    weights = as_weights(
        Weighting(np.array([1.0, 1.0, 1.0, 1.0]), 5.0), BLOCKS, START | {"age": 0.5}
    )
    assert weights == START | {"age": 0.5} | dict.fromkeys(BLOCKS, 0.25)


# --- What is compared -------------------------------------------------------------------------


def make_followed(count=260, shops=12, seed=1):
    rng = np.random.default_rng(seed)
    out = []
    for number in range(count):
        fault = int(rng.integers(2))
        shop = int(rng.integers(shops))
        case = {
            "id": f"{number:04d}",
            # The words are the shop's alone, whatever the fault.
            "complaint": f"jargon{shop} slang{shop}",
            "codes": [{"code": f"P0{fault}{int(rng.integers(3))}"}] if rng.random() < 0.8 else [],
            "unit_kind": "ac_system",
            "age_years": float(rng.integers(20)),
            "cluster": shop,
        }
        out.append(Followed(case, Cure("service", (f"renew_{fault}",))))
    return out


def test_blocks_compare_as_the_index_does():
    followed = make_followed(count=40)
    cases = [one.case for one in followed[:30]]
    queries = [one.case for one in followed[30:]]
    compared = compare_blocks(queries, cases, SMALL_DESIGN)
    index = CaseIndex.build(cases, design=SMALL_DESIGN)
    weights = as_vector(SMALL_DESIGN.weights, compared.blocks)
    for number, query in enumerate(queries):
        asked = weights * compared.asks[number]
        similarity = compared.values[number] @ (asked / asked.sum())
        for hit in index.search(query, limit=30):
            place = int(hit.id)
            assert similarity[place] == pytest.approx(hit.similarity, abs=1e-6)


def test_nothing_held_out_meets_its_own_shop():
    followed = make_followed()
    # Groups of letters, as long as the words, see no more than the words do.
    design = Design(letter_group_size=9)
    together = compare_held_out(followed, {"ac_system"}, design, seed=1, on_step=lambda _: None)
    assert len(together) > FEWEST_OF_A_KIND
    words = together.blocks.index("words")
    # Only cases of one's own shop have a word in common.
    assert together.likeness[:, :, words].max() == 0.0
    codes = together.blocks.index("codes")
    assert together.likeness[:, :, codes].max() > 0.9
    for fold in range(FOLDS):
        shops = set(together.shop[together.fold == fold].tolist())
        others = set(together.shop[together.fold != fold].tolist())
        assert not shops & others


def test_a_whole_installation_learns_what_decides():
    """Codes tell the fault; the start looks at the age instead, which tells nothing."""
    astray = {"age": 0.8, "codes": 0.1, "words": 0.1}
    start = dict.fromkeys(Design().weights, 0.0) | astray
    tuned = tune_weights(make_followed(count=300), Design(weights=start, letter_group_size=9))
    assert tuned.learned
    assert tuned.gain.low > 0
    assert tuned.weights["codes"] > max(4 * astray["codes"], tuned.weights["age"])


def test_too_few_cases_keep_the_start():
    tuned = tune_weights(make_followed(count=FEWEST_OF_A_KIND - 1), Design())
    assert not tuned.learned
    assert dict(tuned.weights) == dict(Design().weights)
    assert f"needs {FEWEST_OF_A_KIND}" in tuned.why
    assert not tune_weights([], Design()).learned


# --- Censoring --------------------------------------------------------------------------------


def test_what_was_not_watched_long_enough_is_made_up_for_by_those_who_were():
    """Five repairs, horizon 100: lost on day 10 (of 5 at risk) and on day 50 (of 3)."""
    days = np.array([10.0, 20.0, 50.0, 100.0, 300.0, np.nan])
    events = np.array([0, 1, 0, 0, 2, 0])
    held, weights = certainties(days, events, horizon_days=100)
    assert held.tolist() == [False, False, False, True, True, False]
    watched = [1 - 1 / 5, (1 - 1 / 5) * (1 - 1 / 3)]
    assert weights == pytest.approx([0, 1 / watched[0], 0, 1 / watched[1], 1 / watched[1], 0])


def test_weights_for_censoring_add_up_to_all_that_were_tried():
    rng = np.random.default_rng(4)
    back, lost = rng.exponential(300, 20_000), rng.exponential(400, 20_000)
    days = np.minimum(np.minimum(back, lost), 900)
    events = np.where((back <= lost) & (back <= 900), 1, 0)
    held, weights = certainties(days, events, horizon_days=365)
    assert weights.sum() == pytest.approx(20_000, rel=0.02)
    assert (held * weights).sum() / weights.sum() == pytest.approx(math.exp(-365 / 300), abs=0.015)


@pytest.mark.parametrize(
    "days, events, horizon", [([-1.0], [0], 365), ([1.0], [3], 365), ([1.0], [0], 0)]
)
def test_impossible_outcomes_are_refused(days, events, horizon):
    with pytest.raises(ValueError, match="need days"):
        certainties(np.array(days), np.array(events), horizon_days=horizon)
