"""Cases gathered in pieces of arrays against what the blocks read, case by case."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from search.core.blocks.cures import raw_features
from search.core.collecting import Collector
from search.core.profile_fitting import fit_model
from search.core.reading import SLOT_BITS
from search.core.vectoriser import Vectoriser
from tests.search.strategies import DESIGN, evidence
from tests.search.test_profile import make_followed


def gathered(cases, design, piece_cases):
    collector = Collector(Vectoriser(design), piece_cases=piece_cases)
    for case in cases:
        collector.add(case)
    return collector


def by_name(rows, numbers):
    names = list(numbers)
    return [
        {names[term]: value for term, value in zip(row.indices, row.data, strict=True)}
        for row in (rows[[number]] for number in range(rows.shape[0]))
    ]


@given(cases=st.lists(evidence, max_size=7), piece_cases=st.integers(1, 8))
def test_whatever_the_pieces_a_case_has_what_its_blocks_read(cases, piece_cases):
    collector = gathered(cases, DESIGN, piece_cases)
    rows = by_name(collector.raw_rows(), collector.numbers)
    vectoriser = Vectoriser(DESIGN)
    masses = {}
    for case, row, slots in zip(cases, rows, collector.slots, strict=True):
        view = vectoriser.view(case)
        features = [feature for _, feature in raw_features(vectoriser.blocks, view)]
        assert row == pytest.approx({name: value for name, value, _ in features}, rel=1e-6)
        for name, _, mass in features:
            masses[name] = masses.get(name, 0.0) + mass
        recorded = {slot for block in vectoriser.blocks for slot in block.slots(view)}
        assert slots == sum(SLOT_BITS[slot] for slot in recorded)
    assert dict(zip(collector.numbers, collector.mass, strict=True)) == pytest.approx(masses)


def test_profiles_do_not_depend_on_the_pieces():
    followed = make_followed()
    design = replace(DESIGN, cures=fit_model(followed, DESIGN).model)
    cases = [one.case for one in followed] + [{"unit_kind": "engine", "complaint": "hiss"}]
    assert design.cures is not None
    read = []
    for piece_cases in (7, 1_000):
        collector = gathered(cases, design, piece_cases)
        collector.add_profiles()
        rows = by_name(collector.raw_rows(), collector.numbers)
        read.append((rows, list(collector.slots)))
    assert read[0] == read[1]
    silent = np.array(read[0][1]) & SLOT_BITS["cures"] == 0
    assert silent.nonzero()[0].tolist() == [len(followed)]
