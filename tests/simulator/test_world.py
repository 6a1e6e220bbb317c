"""The world is what its description says, and its posterior is right."""

import hashlib
import json
import subprocess
import sys

import numpy as np
import pytest

from tests.simulator import world as w
from tests.simulator.language import Language, misspell
from tests.simulator.oracle import expected_gains, posterior
from tests.simulator.world import World, gain


@pytest.fixture(scope="module")
def world():
    return World(seed=90_001)


@pytest.fixture(scope="module")
def cases(world):
    return world.cases(2_500)


def test_the_same_seed_gives_the_same_world():
    first, second = (World(seed=5, shops=4).cases(20) for _ in range(2))
    assert first == second
    assert first != World(seed=6, shops=4).cases(20)


def test_nothing_of_the_search_or_the_statistics_is_used():
    code = (
        "import sys, tests.simulator.oracle;"
        "print([m for m in sys.modules if m.split('.')[0] in ('search', 'casebook', 'django')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_chances_add_up(world):
    for kind in world.kinds:
        for shares in (kind.prior, kind.concepts, kind.conditions, kind.codes, kind.ages):
            np.testing.assert_allclose(shares.sum(axis=-1), 1.0)
        for check in kind.checks:
            if check.way != "number":
                np.testing.assert_allclose(check.chances.sum(axis=-1), 1.0)


def test_no_word_means_two_things():
    language = Language.invent(200, np.random.default_rng(1))
    words = [word for synonyms in language.synonyms for word in synonyms]
    assert len(words) == len(set(words))


def test_a_slip_keeps_the_ends_of_a_word():
    rng = np.random.default_rng(2)
    for _ in range(200):
        slipped = misspell("klander", rng)
        assert slipped[0] == "k"
        assert abs(len(slipped) - 7) <= 1


def test_posterior_is_calibrated(world, cases):
    """Of the causes given a chance near p, the share p is the true one: the test of exactness,
    since any wrong factor shows here."""
    beliefs = np.array([posterior(world, case) for case in cases])
    truth = np.array([case.cause for case in cases])[:, None] == np.arange(w.CAUSES)
    np.testing.assert_allclose(beliefs.sum(axis=1), 1.0)
    for low, high in [(0.0, 0.02), (0.02, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 0.9), (0.9, 1.01)]:
        these = (beliefs >= low) & (beliefs < high)
        spread = np.sqrt((beliefs[these] * (1 - beliefs[these])).sum())
        assert these.sum() > 100
        assert abs(truth[these].sum() - beliefs[these].sum()) < 3.5 * spread


def test_posterior_knows_more_than_the_prior_and_less_than_all(world, cases):
    at_truth = [float(posterior(world, case)[case.cause]) for case in cases]
    prior = [float(world.kinds[case.kind].prior[case.model, case.cause]) for case in cases]
    assert np.mean(np.log(at_truth)) > np.mean(np.log(prior)) + 0.5
    assert np.mean(at_truth) < 0.95


def test_leaving_out_any_evidence_costs_knowledge(world, cases):
    """Each aspect tells something: no block of a comparison is judged on noise alone."""
    whole = np.mean([np.log(posterior(world, case)[case.cause]) for case in cases])

    def without(name):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(f"tests.simulator.oracle.{name}", lambda *_: np.zeros(w.CAUSES))
            return np.mean([np.log(posterior(world, case)[case.cause]) for case in cases])

    for name in ("_log_codes", "_log_symptoms", "_log_findings", "_log_vehicle"):
        assert without(name) < whole - 0.005, name


def test_relevance_is_two_for_the_cause_and_a_quarter_for_the_level(cases):
    for one, other in zip(cases[:500], cases[500:1000], strict=True):
        expected = 0.0
        if one.kind == other.kind and one.level == other.level:
            expected = 2.0 if one.cause == other.cause else 0.25
        assert gain(one, other) == expected
    assert gain(cases[0], cases[0]) == 2.0


@pytest.mark.parametrize("sees_causes", [True, False])
def test_expected_gains_equal_a_sum_over_all_causes(world, cases, sees_causes):
    queries, others = cases[:6], cases[6:30]
    ours = expected_gains(world, queries, others, sees_causes=sees_causes)
    for i, query in enumerate(queries):
        for j, other in enumerate(others):
            expected = 0.0
            if query.kind == other.kind:
                kind = world.kinds[query.kind]
                asked = posterior(world, query)
                known = np.eye(w.CAUSES)[other.cause] if sees_causes else posterior(world, other)
                for a in range(w.CAUSES):
                    for b in range(w.CAUSES):
                        worth = 2.0 if a == b else 0.25 * (kind.levels[a] == kind.levels[b])
                        expected += asked[a] * known[b] * worth
            assert ours[i, j] == pytest.approx(expected)


def test_seeing_the_causes_ranks_better(world, cases):
    """On average over queries, the best cases found gain more when more is known."""
    queries, others = cases[:300], cases[300:]
    reached = []
    for sees_causes in (True, False):
        order = np.argsort(-expected_gains(world, queries, others, sees_causes=sees_causes))
        reached.append(
            np.mean(
                [
                    gain(q, others[j])
                    for q, row in zip(queries, order, strict=True)
                    for j in row[:10]
                ]
            )
        )
    assert reached[0] > reached[1] > 0.5


def test_the_world_is_the_one_that_was_committed_before_anything_was_learned():
    text = json.dumps([one.case for one in World(5, shops=6).cases(200)], sort_keys=True)
    assert hashlib.sha256(text.encode()).hexdigest()[:16] == "58da9280069dedd5"


def test_a_hidden_cause_has_nothing_to_do_with_what_is_visible():
    """The posterior by visible evidence is no better than the shares of the causes."""
    world = World(90_002, cause_shows=False)
    cases = world.cases(1_500)
    believed = [np.log(posterior(world, one)[one.cause]) for one in cases]
    shares = [np.log(world.kinds[one.kind].prior.mean(axis=0)[one.cause]) for one in cases]
    assert np.mean(believed) < np.mean(shares) - 0.5
