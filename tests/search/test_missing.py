"""What a query lacks, and what saying it would add: against asking again with it said."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from search.core import CaseIndex, Design
from search.core.missing import Common, Missing, find_missing, sum_up
from tests.search import naive
from tests.search.strategies import DESIGN, evidence, numbered

NAMES = ("make", "model", "engine", "drive", "unit_kind", "unit_family")
AMOUNTS = ("age_years", "odometer_km")
LISTS = {"symptoms": "key", "findings": "check"}


def gaps(query, case):
    """(field, key) -> the query with that said as the case says it. The slow and obvious way."""
    out = {}
    for field in NAMES:
        if naive.words_of(case, field) and not naive.words_of(query, field):
            out[field, ""] = query | {field: case[field]}
    for field in AMOUNTS:
        if case.get(field) is not None and query.get(field) is None:
            out[field, ""] = query | {field: case[field]}
    if case.get("codes") and not query.get("codes"):
        out["codes", ""] = query | {"codes": case["codes"]}
    for field, name in LISTS.items():
        said = query.get(field) or []
        for item in case.get(field) or []:
            if item[name] not in [other[name] for other in said]:
                same = [other for other in case[field] if other[name] == item[name]]
                out[field, item[name]] = query | {field: [*said, *same]}
    return out


@settings(max_examples=150, deadline=None)
@given(corpus=st.lists(evidence, min_size=1, max_size=7), query=evidence)
def test_the_gain_is_what_asking_again_with_it_said_would_add(corpus, query):
    corpus = numbered(corpus)
    index = CaseIndex.build(corpus, design=DESIGN)
    hits = index.search(query, limit=20)
    cases = [(next(c for c in corpus if c["id"] == hit.id), hit.similarity) for hit in hits]
    for (case, similarity), found in zip(cases, find_missing(index, query, cases), strict=True):
        expected = gaps(query, case)
        assert {(one.field, one.key) for one in found} == set(expected)
        assert [one.gain for one in found] == sorted((m.gain for m in found), reverse=True)
        for one in found:
            parts = naive.compare(expected[one.field, one.key], case, corpus, DESIGN)
            gain = sum(parts.values()) - similarity
            assert one.gain == pytest.approx(gain, abs=1e-6), one
            assert one.gain >= 0


def missing(query, case, **design):
    index = CaseIndex.build(numbered([case, {"make": "Other"}]), design=Design(**design))
    hit = index.search(query)[0]
    return find_missing(index, query, [(case, hit.similarity)])[0]


def test_only_what_the_query_is_silent_about_is_missing():
    case = {
        "complaint": "slips",
        "make": "Corvane",
        "model": "City",
        "findings": [{"check": "fluid", "result": "dark"}, {"check": "smell", "result": "burnt"}],
    }
    query = {
        "complaint": "slips",
        "make": "Altmar",
        "findings": [{"check": "fluid", "result": "clean"}],
    }
    found = {(one.field, one.key) for one in missing(query, case)}
    # Another make and another result are differences, and more words would be another complaint.
    assert found == {("model", ""), ("findings", "smell")}


def test_a_block_without_weight_has_nothing_to_gain():
    case, query = {"make": "Corvane", "model": "City", "unit_kind": "engine"}, {"make": "Corvane"}
    weights = {"vehicle": 1.0, "unit": 0.0}
    assert [one.field for one in missing(query, case, weights=weights)] == ["model"]


def test_a_case_that_is_alike_in_all_that_was_asked_has_nothing_to_gain_but_is_still_told():
    (one,) = missing({"make": "Corvane"}, {"make": "Corvane", "unit_kind": "engine"})
    assert (one.field, one.gain) == ("unit_kind", 0.0)


def test_what_half_of_the_cases_record_is_summed_up_by_what_it_would_gain():
    rare, often, slight = (
        Missing("findings", key, gain)
        for key, gain in (("rare", 0.3), ("often", 0.1), ("slight", 0.01))
    )
    more = Missing("findings", "often", 0.2)
    cases = [[rare, often], [often, slight], [more, slight], [slight], [slight], []]
    assert sum_up(cases) == [
        Common("findings", "often", 3, 0.2),
        Common("findings", "slight", 4, 0.01),
    ]
    assert sum_up([[often], [often]]) == []  # two cases are no majority of anything
    assert sum_up([]) == []
