"""Measuring the search on an installation's own resolved cases."""

import json
import random

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from search.adapter import evaluation
from search.adapter.evaluation import Resolved, evaluate_search, gain, judge_search
from tests import factories

LEAK = {"complaint": "hisses behind the dash", "codes": [{"code": "P0533"}]}
CLUTCH = {"complaint": "clicks and stays warm", "codes": [{"code": "P0645"}]}
RECHARGED = {"level": "service", "actions": ["recharge_refrigerant"], "result": "fixed"}
REPLACED = {"level": "component", "actions": ["replace_compressor"], "result": "fixed"}


def make_case(shop, seen, *attempts, **changes):
    dated = [attempt | {"on": f"2026-05-{12 + i}"} for i, attempt in enumerate(attempts)]
    given = {"symptoms": [], "findings": [], "follow_ups": []} | seen | changes
    return factories.make_case(shop, attempts=dated, **given)


WAYS = {"Casebook", "Gower", "BM25", "TF-IDF cosine", "code look-up"}


def rows_by_way(quality, group="all"):
    return {row.way: row for row in quality.rows if row.group == group}


def test_the_right_cases_are_found_among_other_shops(shop, other_shop):
    for one in (shop, other_shop):
        make_case(one, LEAK, RECHARGED)
        make_case(one, CLUTCH, REPLACED)
        make_case(one, LEAK)  # not resolved: never asked for, never found
    quality = evaluate_search()
    assert (quality.cases, quality.shops) == (4, 2)
    ours = rows_by_way(quality)["Casebook"]
    assert (ours.queries, ours.shops) == (4, 2)
    # One right case each, found first; there are not ten to find.
    assert ours.ndcg_10.mean == ours.reciprocal_rank.mean == 1.0
    assert (ours.precision_5.mean, ours.precision_10.mean) == pytest.approx((0.2, 0.1))
    assert set(rows_by_way(quality)) == WAYS
    assert ours.ahead is None
    assert rows_by_way(quality)["Gower"].ahead.mean >= 0


def test_what_resolved_a_case_is_its_last_attempt(shop, other_shop):
    failed = RECHARGED | {"result": "not_fixed"}
    make_case(shop, LEAK, failed, REPLACED)
    make_case(other_shop, LEAK, REPLACED)
    assert rows_by_way(evaluate_search())["Casebook"].precision_10.mean == pytest.approx(0.1)


def test_a_shop_never_finds_its_own_cases(shop, other_shop):
    for _ in range(3):
        make_case(shop, LEAK, RECHARGED)
    make_case(other_shop, CLUTCH, RECHARGED)
    quality = rows_by_way(evaluate_search())["Casebook"]
    # Three queries look for one of another shop, which says something else and isn't alike; one
    # query looks for three.
    assert quality.queries == 4
    assert quality.precision_10.mean <= (3 * 0.1 + 0.3) / 4


def test_asking_where_the_own_shop_is_searched_too_is_told_apart(shop, other_shop):
    for one in (shop, other_shop):
        for _ in range(4):
            make_case(one, LEAK, RECHARGED)
            make_case(one, CLUTCH, REPLACED)
    quality = evaluate_search()
    # Of other shops four are there to find, of all shops at most seven.
    apart, together = (
        rows_by_way(quality, group)["Casebook"].precision_10.mean for group in ("all", "own_shop")
    )
    assert apart == pytest.approx(0.4)
    assert 0.4 < together <= 0.7


@pytest.mark.parametrize("shops", [0, 1, 2])
def test_where_nothing_can_be_measured_it_is_said(shop, other_shop, capsys, shops):
    for one, attempt in [(shop, RECHARGED), (other_shop, REPLACED)][:shops]:
        make_case(one, LEAK, attempt)
    call_command("evaluate_search")
    said = capsys.readouterr().out
    assert f"Nothing to measure yet: {shops} resolved cases of {shops} shops" in said


def test_the_command_prints_a_table(shop, other_shop, capsys):
    for one in (shop, other_shop):
        make_case(one, LEAK, RECHARGED)
    call_command("evaluate_search", "--cases", "10", "--queries", "1")
    said = capsys.readouterr().out
    assert "2 resolved cases of 2 shops." in said
    line = next(line for line in said.splitlines() if "Casebook" in line)
    assert line.split()[:4] == ["All", "Casebook", "1", "1"]
    assert "1.000 (1.000–1.000)" in line
    assert all(way in said for way in WAYS)


def test_the_command_prints_json(shop, other_shop, capsys):
    for one in (shop, other_shop):
        make_case(one, LEAK, RECHARGED)
    call_command("evaluate_search", "--json")
    document = json.loads(capsys.readouterr().out)
    assert (document["cases"], document["shops"]) == (2, 2)
    ours, gower = document["rows"][:2]
    assert ours["way"] == "Casebook"
    assert ours["ahead"] is None
    assert ours["ndcg_10"] == {"mean": 1.0, "low": 1.0, "high": 1.0}
    assert set(gower["ahead"]) == {"mean", "low", "high"}


@pytest.mark.parametrize("option", ["--cases", "--queries"])
@pytest.mark.parametrize("value", ["0", "-3", "many"])
def test_impossible_limits_are_refused(option, value):
    with pytest.raises(CommandError, match="not a number of at least 1"):
        call_command("evaluate_search", f"{option}={value}")


def make_pool(count, rng, shops=5):
    """Words and codes that go with the cure, and noise."""
    pool = []
    for place in range(count):
        kind, cure = rng.choice(["ac_system", "engine"]), rng.randrange(3)
        case = {
            "id": f"{place:08x}",
            "complaint": " ".join(rng.choices([f"w{cure}", f"v{cure}", "x", "y", "z"], k=4)),
            "codes": [{"code": f"P0{cure}00"}] if rng.random() < 0.5 else [],
            "symptoms": [],
            "findings": [],
            "make": "Talvera",
            "model": rng.choice(["Cargo 2", "Cargo 3"]),
            "unit_kind": kind,
            "unit_family": "",
            "cluster": rng.randrange(shops),
        }
        level = ["service", "component", "component"][cure]
        pool.append(Resolved(case, kind, level, frozenset([f"cure{cure}"])))
    return pool


def test_figures_equal_plain_loops():
    pool = make_pool(60, random.Random(3))
    quality = judge_search(pool, 60, seed=1, step=lambda: None)
    precisions, reciprocals = [], []
    for query in pool:
        scored = []
        for place, other in enumerate(pool):
            if other.cluster == query.cluster:
                continue
            shared = {c["code"] for c in query.case["codes"]} & {
                c["code"] for c in other.case["codes"]
            }
            scored.append((-len(shared) - 0.5 * (other.kind == query.kind), place))
        ranked = [pool[place] for score, place in sorted(scored) if score < 0]
        right = [gain(query, one) == 2.0 for one in ranked]
        precisions.append(sum(right[:10]) / 10)
        reciprocals.append(1 / (1 + right.index(True)) if True in right[:100] else 0.0)
    # Five shops, five folds: each shop asks all others.
    ours = rows_by_way(quality)["code look-up"]
    assert ours.queries == 60
    assert ours.precision_10.mean == pytest.approx(np.mean(precisions))
    assert ours.reciprocal_rank.mean == pytest.approx(np.mean(reciprocals))
    assert ours.precision_10.low <= ours.precision_10.mean <= ours.precision_10.high
    ahead = rows_by_way(quality)["Casebook"].ndcg_10.mean - ours.ndcg_10.mean
    assert ours.ahead.mean == pytest.approx(ahead)


def test_worth_of_all_at_once_equals_one_by_one():
    pool = make_pool(40, random.Random(6))
    pool[3] = Resolved(pool[3].case, pool[3].kind, pool[3].level, frozenset())
    worth = evaluation._Worth(pool)
    for place, query in enumerate(pool):
        assert worth.of(place).tolist() == [gain(query, one) for one in pool]


def test_unit_kinds_with_few_queries_get_no_rows_of_their_own():
    pool = make_pool(80, random.Random(4))
    rare = "hybrid_battery"
    pool = [
        Resolved(one.case | {"unit_kind": rare}, rare, one.level, one.actions) if place < 8 else one
        for place, one in enumerate(pool)
    ]
    quality = judge_search(pool, 80, seed=1, step=lambda: None)
    kinds = {row.name for row in quality.rows if row.group == "unit_kind"}
    assert kinds == {"ac_system", "engine"}


def test_queries_are_told_apart_by_how_much_they_say():
    pool = make_pool(80, random.Random(8))
    wordy = " ".join(f"word{i}" for i in range(30))
    pool = [
        Resolved(
            one.case | {"complaint": f"{one.case['complaint']} {wordy}"} if place % 2 else one.case,
            one.kind,
            one.level,
            one.actions,
        )
        for place, one in enumerate(pool)
    ]
    quality = judge_search(pool, 80, seed=1, step=lambda: None)
    queries = {row.name: row.queries for row in quality.rows if row.group == "evidence"}
    assert queries == {"1–7": 40, "24+": 40}


def test_a_sample_of_queries_is_the_same_for_the_same_seed():
    pool = make_pool(60, random.Random(5))
    first, second, other = (
        judge_search(pool, 15, seed=seed, step=lambda: None) for seed in (1, 1, 2)
    )
    assert first == second
    assert first != other
    assert {row.queries for row in first.rows} == {15}


def test_progress_counts_cases_read_and_queries_asked(shop, other_shop):
    for one in (shop, other_shop):
        make_case(one, LEAK, RECHARGED)
    steps = []
    evaluate_search(on_step=lambda: steps.append(1))
    # Two read; two asked of the other shop, and again of all (where both may be asking at once).
    assert 4 <= len(steps) <= 6


def test_limits_below_one_are_refused():
    with pytest.raises(ValueError):
        evaluation.evaluate_search(most_cases=0)
