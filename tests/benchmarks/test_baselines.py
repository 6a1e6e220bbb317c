"""The other ways to rank do what they are said to do."""

import math

import numpy as np
import pytest

from tests.benchmarks import baselines
from tests.simulator.world import World


def make_case(**given):
    empty = dict.fromkeys((*baselines.NAMES, *baselines.AMOUNTS))
    return empty | {"complaint": "", "codes": [], "symptoms": [], "findings": []} | given


def vehicle(age, km, gearbox, code):
    codes = [{"code": "C1"}] if code else []
    return make_case(age_years=age, odometer_km=km, unit_kind=gearbox, codes=codes)


def test_gower_matches_a_worked_example():
    # Age, km, gearbox, code present: A, B, C; computed with the gower library, which agrees with
    # the definition where nothing is missing.
    cases = [
        vehicle(5, 80_000, "CVT", True),
        vehicle(9, 160_000, "CVT", True),
        vehicle(5, 80_000, "AT", False),
    ]
    scores = baselines.by_gower(cases, cases, {})
    expected = [[1.0, 0.5, 0.5], [0.5, 1.0, 0.0], [0.5, 0.0, 1.0]]
    np.testing.assert_allclose(scores, expected, atol=1e-12)


def test_gower_leaves_out_what_is_missing():
    # By the definition 2/3; a library that takes missing values for equal gives .75.
    cases = [vehicle(5, 80_000, "CVT", True), vehicle(9, None, "CVT", True)]
    assert baselines.by_gower(cases, cases, {})[0, 1] == pytest.approx(2 / 3)


def naive_gower(one, other, spans, ordered):
    alike = counted = 0.0
    for name in baselines.NAMES:
        if one[name] and other[name]:
            counted, alike = counted + 1, alike + (one[name] == other[name])
    for name in baselines.AMOUNTS:
        if one[name] is not None and other[name] is not None:
            counted, alike = counted + 1, alike + 1 - abs(one[name] - other[name]) / spans[name]
    for key, name in (("codes", "code"), ("symptoms", "key")):
        first, second = ({item[name] for item in case[key]} for case in (one, other))
        counted, alike = counted + len(first | second), alike + len(first & second)
    theirs = {finding["check"]: finding for finding in other["findings"]}
    for finding in one["findings"]:
        check = finding["check"]
        if check not in theirs:
            continue
        counted += 1
        if "value" in finding:
            alike += 1 - abs(finding["value"] - theirs[check]["value"]) / spans[check]
        elif check in ordered:
            places = [ordered[check].index(f["result"]) for f in (finding, theirs[check])]
            alike += 1 - abs(places[0] - places[1]) / spans[check]
        else:
            alike += finding["result"] == theirs[check]["result"]
    return alike / counted if counted else 0.0


def test_gower_equals_a_plain_loop():
    world = World(seed=90_002, shops=6)
    cases = [one.case for one in world.cases(160)]
    queries, known = cases[:30], cases[30:]
    ordered = {c.name: [f"r{i}" for i in range(4)] for k in world.kinds for c in k.checks[:5]}
    spans = {}
    for name in baselines.AMOUNTS:
        values = [case[name] for case in cases if case[name] is not None]
        spans[name] = max(values) - min(values)
    for check in {finding["check"] for case in cases for finding in case["findings"]}:
        found = [f for case in cases for f in case["findings"] if f["check"] == check]
        places = [f.get("value", float(f.get("result", "r0")[1:])) for f in found]
        spans[check] = max(places) - min(places) or math.inf
    ours = baselines.by_gower(known, queries, ordered)
    expected = [[naive_gower(q, c, spans, ordered) for c in known] for q in queries]
    np.testing.assert_allclose(ours, expected, atol=1e-12)


def test_code_look_up_counts_shared_codes_then_the_unit_kind():
    def with_codes(kind, *codes):
        return make_case(unit_kind=kind, codes=[{"code": code} for code in codes])

    cases = [with_codes("a", "C1"), with_codes("b", "C1", "C2"), with_codes("a"), with_codes("b")]
    scores = baselines.by_code(cases, [with_codes("a", "C1", "C2")])
    assert scores[0].tolist() == [1.5, 2.0, 0.5, 0.0]


def test_bm25_and_tfidf_find_the_case_itself_first():
    cases = [one.case for one in World(seed=90_003, shops=6).cases(80)]
    for rank in (baselines.by_bm25, baselines.by_tfidf, baselines.by_tfidf_of_complaint):
        best = rank(cases, cases).argmax(axis=1)
        assert (best == np.arange(80)).mean() > 0.9
