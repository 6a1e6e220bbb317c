"""Why a case is similar: shares that add up, and the words of whoever asked."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from search.core import CaseIndex, Design, compare_shares
from search.core.design import WEIGHTS
from search.core.explain import stored_values
from tests.search.strategies import DESIGN, evidence, numbered

settled = st.floats(0, 1).map(lambda x: round(x, 3))
designs = st.builds(
    lambda weights, credits: replace(DESIGN, weights=weights, credits=credits),
    weights=st.fixed_dictionaries(dict.fromkeys(WEIGHTS, settled)),
    credits=st.fixed_dictionaries(dict.fromkeys(WEIGHTS, settled)),
)


@settings(max_examples=150, deadline=None)
@given(
    built=st.lists(evidence, max_size=8),
    newer=st.lists(evidence, max_size=4),
    query=evidence,
    design=designs,
)
def test_the_shares_add_up_to_the_similarity_whatever_the_weights_and_credits(
    built, newer, query, design
):
    index = CaseIndex.build(numbered(built), design=design)
    index = index.with_tail(numbered(newer, first=100))
    hits = index.search(query, limit=20)
    for hit in hits:
        assert sum(part.share for part in hit.parts) == pytest.approx(hit.similarity, abs=1e-6)
        assert all(part.share > 0 for part in hit.parts)
        assert len({part.block for part in hit.parts}) == len(hit.parts)
        shares = [part.share for part in hit.parts if part.block != "not_recorded"]
        assert shares == sorted(shares, reverse=True)
    # A part doesn't depend on what else was explained along with it.
    for hit in hits:
        assert hit in index.search(query, limit=20, explained=hits.index(hit) + 1)


@settings(max_examples=80, deadline=None)
@given(cases=st.lists(evidence, max_size=8), data=st.data())
def test_stored_values_equal_those_read_posting_by_posting(cases, data):
    segment = CaseIndex.build(numbered(cases), design=DESIGN).layers[0].segment
    terms = data.draw(st.lists(st.integers(-1, len(segment.terms) - 1), max_size=6))
    docs = data.draw(st.lists(st.integers(0, max(0, len(cases) - 1)), max_size=5, unique=True))
    docs = docs if cases else []
    plain = {}
    for term in range(len(segment.terms)):
        for at in range(segment.starts[term], segment.starts[term + 1]):
            plain[term, int(segment.docs[at])] = float(segment.values[at])
    values = stored_values(segment, np.array(terms, np.int64), np.array(docs, np.int64))
    assert values.tolist() == [[plain.get((term, doc), 0.0) for doc in docs] for term in terms]


def told(case, query, design=DESIGN):
    (hit,) = CaseIndex.build(numbered([case]), design=design).search(query)
    return {part.block: part.matched for part in hit.parts}


def test_every_block_tells_the_words_of_whoever_asked():
    case = {
        "complaint": "transmission slips",
        "codes": [{"code": "P0741", "failure_type": "62", "family": "P0740"}],
        "symptoms": [{"key": "slips", "when": ["hot"]}],
        "findings": [{"check": "pressure", "value": 110.0}, {"check": "fluid", "result": "dark"}],
        "make": "CORVANE",
        "model": "PARCEL-300",
        "engine": "diesel 2.0",
        "unit_kind": "engine",
        "unit_family": "KX7",
        "age_years": 7.0,
        "odometer_km": 130_000.0,
    }
    asked = {
        "complaint": "Tranny slips",
        "codes": [{"code": "P0741", "failure_type": "62", "family": "P0740"}],
        "symptoms": [{"key": "slips", "when": ["hot"]}],
        "findings": [
            {"check": "pressure", "value": 110.3, "said": "16 psi"},
            {"check": "fluid", "result": "dark"},
        ],
        "make": "Corvane",
        "model": "parcel 300",
        "engine": "2.0 Diesel",
        "unit_kind": "engine",
        "unit_family": "kx-7",
        "age_years": 7.0,
        "odometer_km": 130_356.0,
        "said": {"odometer_km": "81000 mi", "age_years": "2019"},
    }
    design = replace(DESIGN, replacements={"tranny": "transmission"})
    parts = {block: set(words) for block, words in told(case, asked, design).items()}
    assert parts == {
        "text": {"Tranny", "slips"},
        "codes": {"P0741", "P0741-62"},
        "symptoms": {"slips", "slips (hot)"},
        "findings": {"pressure: 16 psi", "fluid: dark"},
        "vehicle": {"Corvane", "parcel 300", "2.0", "Diesel"},
        "unit": {"engine", "kx-7"},
        "age": {"2019"},
        "odometer": {"81000 mi"},
    }


def test_the_strongest_word_comes_first_and_equal_ones_by_the_alphabet():
    common = [{"complaint": "noise"} for _ in range(30)]
    index = CaseIndex.build(numbered([*common, {"complaint": "noise judder"}]), design=Design())
    best = index.search({"complaint": "noise judder"})[0]
    assert best.parts[0].matched == ("judder", "noise")
    assert told({"complaint": "b a"}, {"complaint": "b a"}, Design())["text"] == ("a", "b")


# --- Above the next ---------------------------------------------------------------------------


def test_what_one_case_has_more_than_the_next_is_told_share_by_share():
    above = {"codes": 0.3, "text": 0.1, "not_recorded": 0.02}
    below = {"text": 0.15, "unit": 0.02, "not_recorded": 0.02}
    gaps = compare_shares(above, below)
    assert gaps == pytest.approx({"codes": 0.3, "unit": -0.02, "text": -0.05})
    assert list(gaps) == ["codes", "unit", "text"]
    assert compare_shares(above, above) == {}


@settings(max_examples=100, deadline=None)
@given(cases=st.lists(evidence, min_size=2, max_size=8), query=evidence, design=designs)
def test_the_differences_between_neighbours_add_up_to_that_of_their_similarities(
    cases, query, design
):
    hits = CaseIndex.build(numbered(cases), design=design).search(query, limit=20)
    for above, below in itertools.pairwise(hits):
        one, two = ({part.block: part.share for part in hit.parts} for hit in (above, below))
        gaps = compare_shares(one, two)
        assert sum(gaps.values()) == pytest.approx(above.similarity - below.similarity, abs=2e-6)
        assert list(gaps.values()) == sorted(gaps.values(), reverse=True)
        if above.similarity == below.similarity:
            assert above.id < below.id
