"""How the cases of one level differed from the others, and which ways cases went."""

from __future__ import annotations

import numpy as np
import pytest

from casebook.outcomes.circumstances import Circumstances
from casebook.outcomes.overlap import describe_overlap, hardly_overlaps
from casebook.outcomes.paths import describe_paths
from tests.outcomes.worlds import COMPONENT, OVERHAUL, SERVICE, make_neighbours, repeat

LEVEL_PATHS = {SERVICE: ("service",), COMPONENT: ("component",), OVERHAUL: ("overhaul",)}


def circumstances(cases, severity=None, path=None):
    paths = (("service",), ("component",), ("overhaul",), ("service", "overhaul"), ())
    default = [
        paths.index(LEVEL_PATHS[level]) if level in LEVEL_PATHS else 4
        for level in cases.first_level
    ]
    return Circumstances(
        severity=np.full(len(cases), np.nan) if severity is None else np.array(severity, float),
        event_km=np.full(len(cases), np.nan),
        years_ago=np.ones(len(cases)),
        path=np.array(default if path is None else path, int),
        paths=paths,
    )


def overlap_of(level, rows, severity=None, path=None, name="overhaul"):
    cases = make_neighbours(rows)
    details = circumstances(cases, severity, path)
    return describe_overlap(
        name, cases.first_level == level, cases, details, rho=0.05, coverage=0.9
    )


def test_worse_cases_that_got_the_bigger_repair_are_told_apart():
    rows = repeat(30) + repeat(30, level=OVERHAUL)
    told = overlap_of(OVERHAUL, rows, [0.0] * 15 + [0.25] * 15 + [0.75] * 15 + [1.0] * 15)
    assert told["looked"] == "worse"
    assert (told["severity"], told["severity_others"]) == (0.875, 0.125)
    assert told["difference"] == 0.75
    assert told["interval"][0] > 0.6
    assert told["overlap"] == 0.0
    assert told["never_tried"] == 30
    assert told["known"] == [30, 30]
    assert hardly_overlaps(told)


def test_cases_that_looked_alike_overlap():
    rows = repeat(30) + repeat(30, level=OVERHAUL)
    told = overlap_of(OVERHAUL, rows, [0.0, 0.5, 1.0] * 20)
    assert (told["looked"], told["overlap"], told["difference"]) == ("alike", 1.0, 0.0)
    assert not hardly_overlaps(told)
    milder = overlap_of(SERVICE, rows, [0.0] * 30 + [0.5] * 30, name="service")
    assert milder["looked"] == "milder"


def test_a_few_findings_tell_nothing_of_the_difference():
    rows = repeat(30) + repeat(30, level=OVERHAUL)
    told = overlap_of(OVERHAUL, rows, [0.0, 0.0] + [np.nan] * 28 + [1.0] * 30)
    assert told["known"] == [30, 2]
    assert told["difference"] is told["looked"] is told["overlap"] is None
    assert not hardly_overlaps(told)


def test_a_level_reached_at_the_second_try_was_tried():
    rows = repeat(10)
    told = overlap_of(OVERHAUL, rows, path=[3] * 4 + [0] * 6)
    assert told["never_tried"] == 6


def test_chance_differences_are_seldom_called_different():
    random = np.random.default_rng(2)
    rows = repeat(40) + repeat(40, level=OVERHAUL)
    looked = [
        overlap_of(OVERHAUL, rows, random.choice([0, 0.25, 0.5, 1], 80))["looked"]
        for _ in range(200)
    ]
    # Nominal .1; Monte Carlo error .02.
    assert np.mean([word != "alike" for word in looked]) < 0.17


def test_paths_are_counted_the_commonest_first():
    rows = repeat(5) + repeat(3, end=-1) + repeat(2, level=COMPONENT) + [(0.8, 1, -1, 0, 0, -1)]
    path = [0] * 4 + [3] + [3, 3, 0] + [1, 1] + [4]
    cases = make_neighbours(rows)
    told = describe_paths(cases, circumstances(cases, path=path))
    assert [(entry["steps"], entry["cases"], entry["resolved"]) for entry in told] == [
        (["service"], 5, 4),
        (["service", "overhaul"], 3, 1),
        (["component"], 2, 2),
    ]
    assert {entry["of"] for entry in told} == {10}
    assert sum(entry["share"] for entry in told) == pytest.approx(1, abs=1e-3)


def test_without_attempts_there_are_no_paths():
    cases = make_neighbours([(0.8, 1, -1, 0, 0, -1)])
    assert describe_paths(cases, circumstances(cases, path=[4])) == []
    nobody = make_neighbours([])
    assert describe_paths(nobody, circumstances(nobody)) == []
