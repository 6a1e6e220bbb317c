"""The index against the naive implementation, on random cases with ties, gaps and tails."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from search.core import CaseIndex, Filters, kernel
from tests.search import naive
from tests.search.strategies import DESIGN, evidence, numbered

filters = st.builds(
    Filters,
    unit_kind=st.none() | st.sampled_from(["ac_system", "engine", "unheard_of"]),
    make=st.none() | st.sampled_from(["CORVANE", "Nobody"]),
    year_min=st.none() | st.integers(2015, 2018),
    year_max=st.none() | st.integers(2015, 2018),
    with_outcome=st.booleans(),
    exclude_cluster=st.none() | st.integers(1, 3),
)
no_filters = st.just(Filters())
# So few that a handful of cases fills several blocks, and more than there are.
block_sizes = st.sampled_from([1, 2, 5, 1_000])
pytestmark = pytest.mark.usefixtures("compiled")
cases = st.lists(evidence, max_size=12)


def assert_same(hits, expected, limit):
    """Equal up to 1e-7, the unit of ranking; within that unit, the order may be the other."""
    assert len(hits) == min(limit, len(expected))
    by_id = {id_: (similarity, parts) for similarity, id_, parts in expected}
    for hit, (similarity, _, _) in zip(hits, expected, strict=False):
        assert hit.similarity == pytest.approx(similarity, abs=2e-7)
        own_similarity, parts = by_id[hit.id]
        assert hit.similarity == pytest.approx(own_similarity, abs=2e-7)
        shown = {part.block: part.share for part in hit.parts}
        # A share that rounds away in float32 may be missing on one side.
        for block in set(shown) | set(parts):
            assert shown.get(block, 0.0) == pytest.approx(parts.get(block, 0.0), abs=1e-6)
        assert sum(shown.values()) == pytest.approx(hit.similarity, abs=1e-6)
        assert all(share > 0 for share in shown.values())
        assert 0 <= hit.similarity <= 1
    ranked = [(-hit.similarity, hit.id) for hit in hits]
    assert ranked == sorted(ranked)


@settings(max_examples=150, deadline=None)
@given(
    corpus=cases,
    query=evidence,
    limit=st.integers(1, 14),
    filters=filters | no_filters,
    block_cases=block_sizes,
)
def test_top_k_and_parts_equal_the_naive_ones(corpus, query, limit, filters, block_cases):
    corpus = numbered(corpus)
    index = CaseIndex.build(corpus, design=DESIGN, block_cases=block_cases)
    hits = index.search(query, limit=limit, filters=filters)
    assert_same(hits, naive.rank(query, corpus, corpus, DESIGN, filters), limit)


@settings(max_examples=80, deadline=None)
@given(
    built=cases,
    batches=st.lists(st.tuples(cases, st.lists(st.integers(0, 30), max_size=3)), max_size=9),
    query=evidence,
    limit=st.integers(1, 30),
    filters=no_filters | filters,
    block_cases=block_sizes,
)
def test_a_tail_of_additions_changes_and_removals_ranks_as_one_list(
    built, batches, query, limit, filters, block_cases
):
    corpus = numbered(built)
    index = CaseIndex.build(corpus, design=DESIGN, block_cases=block_cases)
    present = {case["id"]: case for case in corpus}
    for number, (batch, removed) in enumerate(batches):
        # Ids overlap with earlier ones: some cases are changes.
        newer = numbered(batch, first=5 * number)
        gone = [f"{i:04d}" for i in removed]
        index = index.with_tail(newer, gone)
        for id_ in gone:
            present.pop(id_, None)
        present |= {case["id"]: case for case in newer}
    assert len(index) == len(present)
    hits = index.search(query, limit=limit, filters=filters)
    expected = naive.rank(query, present.values(), corpus, DESIGN, filters)
    assert_same(hits, expected, limit)


@settings(max_examples=100, deadline=None)
@given(corpus=st.lists(evidence, min_size=1, max_size=8), in_tail=st.booleans())
def test_a_case_compared_with_itself_scores_one(corpus, in_tail):
    corpus = numbered(corpus)
    if in_tail:
        index = CaseIndex.build([], design=DESIGN).with_tail(corpus)
    else:
        index = CaseIndex.build(corpus, design=DESIGN)
    for case in corpus:
        hits = {hit.id: hit for hit in index.search(case, limit=len(corpus))}
        if hits:  # a case without any evidence resembles nothing, itself included
            assert hits[case["id"]].similarity == 1.0
        else:
            assert not naive.compare(case, case, corpus, DESIGN)


@settings(max_examples=60, deadline=None)
@given(corpus=cases, query=evidence, limit=st.integers(1, 14), filters=filters | no_filters)
def test_the_compiled_and_the_plain_way_give_one_answer(corpus, query, limit, filters):
    index = CaseIndex.build(numbered(corpus), design=DESIGN, block_cases=3)
    fast = index.search(query, limit=limit, filters=filters)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kernel, "_compiled", False)
        assert index.search(query, limit=limit, filters=filters) == fast


def test_equal_cases_rank_by_id_across_segments():
    same = {"complaint": "shudder", "unit_kind": "engine"}
    ids = ["b", "d", "a", "e", "c"]
    index = CaseIndex.build([same | {"id": i} for i in ids[:2]], design=DESIGN)
    for id_ in ids[2:]:
        index = index.with_tail([same | {"id": id_}])
    assert [hit.id for hit in index.search(same, limit=4)] == ["a", "b", "c", "d"]


def test_cases_that_share_only_silence_are_no_answer():
    index = CaseIndex.build(
        [{"id": "1", "complaint": "shudder"}, {"id": "2", "make": "Altmar"}], design=DESIGN
    )
    query = {"complaint": "noise", "make": "Corvane", "odometer_km": 1000.0}
    assert index.search(query) == []


def test_a_query_without_evidence_finds_nothing():
    index = CaseIndex.build([{"id": "1", "complaint": "shudder"}], design=DESIGN)
    assert index.search({}) == index.search({"complaint": " the … "}) == []


def test_the_limit_must_be_positive():
    with pytest.raises(ValueError, match="at least 1"):
        CaseIndex.build([], design=DESIGN).search({"complaint": "noise"}, limit=0)


def test_two_cases_with_one_id_are_refused():
    with pytest.raises(ValueError, match="same id"):
        CaseIndex.build([{"id": "1"}, {"id": "1"}], design=DESIGN)


def test_a_removed_case_that_is_added_again_is_found():
    index = CaseIndex.build([{"id": "1", "complaint": "noise"}], design=DESIGN)
    again = index.with_tail([{"id": "1", "complaint": "shudder"}], removed_ids=["1"])
    assert [hit.id for hit in again.search({"complaint": "shudder"})] == ["1"]
    assert again.search({"complaint": "noise"}) == []


def test_excluded_ids_leave_room_for_others():
    cases = [{"id": str(i), "complaint": "noise"} for i in range(3)]
    hits = CaseIndex.build(cases, design=DESIGN).search(
        {"complaint": "noise"}, limit=2, exclude=["0", "not-there"]
    )
    assert [hit.id for hit in hits] == ["1", "2"]


def test_only_the_first_hits_are_explained_when_asked():
    cases = [{"id": str(i), "complaint": "noise"} for i in range(3)]
    hits = CaseIndex.build(cases, design=DESIGN).search({"complaint": "noise"}, explained=1)
    assert [bool(hit.parts) for hit in hits] == [True, False, False]


@settings(max_examples=80, deadline=None)
@given(
    built=cases,
    newer=cases,
    removed=st.lists(st.integers(0, 20), max_size=4),
    later=cases,
    query=evidence,
    block_cases=block_sizes,
)
def test_a_merged_index_answers_as_with_its_tail(
    built, newer, removed, later, query, block_cases, tmp_path_factory
):
    tailed = CaseIndex.build(numbered(built), design=DESIGN, block_cases=block_cases).with_tail(
        numbered(newer, first=6), [f"{i:04d}" for i in removed]
    )
    directory = tmp_path_factory.mktemp("merged") / "index"
    tailed.merged({"mark": 1}).save(directory)
    merged = CaseIndex.open(directory)
    assert len(merged) == merged.built_cases == len(tailed)
    for one, two in (
        (merged, tailed),
        (merged.with_tail(numbered(later, first=9)), tailed.with_tail(numbered(later, first=9))),
        (merged.merged({}), tailed),
    ):
        assert one.search(query, limit=40) == two.search(query, limit=40)
        assert one.unknown_words(query) == two.unknown_words(query)


def test_the_rarity_of_words_stays_that_of_the_last_full_build():
    built = numbered([{"complaint": "shudder"}, {"complaint": "noise"}])
    newer = numbered([{"complaint": "noise cold"}] * 5, first=2)
    merged = CaseIndex.build(built, design=DESIGN).with_tail(newer).merged({})
    names = ["words:nois", "words:noise", "words:cold"]
    fresh = CaseIndex.build([*built, *newer], design=DESIGN)
    assert sorted(merged.statistics.masses(names)) == [0.0, 0.0, 1.0]
    assert sorted(fresh.statistics.masses(names)) == [0.0, 5.0, 6.0]
