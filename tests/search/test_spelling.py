"""Slips in a query are read as what the cases say."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from search.core import CaseIndex, Design
from search.core.spelling import TIMES_RARER, one_slip_away, read_as_known
from search.core.stemming import stem
from search.core.text import Normaliser

TABLE = {"judder": "shudder", "gear box": "transmission", "the": ""}


def read(text, known, among=1_000.0, table=TABLE):
    """Spelt words; known: in how many cases each word stands."""
    by_stem = {stem(word): float(count) for word, count in known.items()}

    def counts(words):
        return np.array([by_stem.get(word, 0.0) for word in words])

    return [token.spelt for token in read_as_known(Normaliser(table), text, counts, among)]


@pytest.mark.parametrize(
    "written", ["comperssor", "compresor", "commpressor", "compreszor", "compressors", "ompressor"]
)
def test_a_word_one_slip_away_is_meant(written):
    assert stem(read(written, {"compressor": 20})[0]) == "compressor"


def test_a_word_that_cases_have_stays():
    assert read("felt belt", {"felt": 1, "belt": 40}) == ["felt", "belt"]


def test_a_word_far_rarer_than_its_neighbour_is_a_slip_that_others_made_too():
    known = {"comperssor": 2, "compressor": 150_000}
    assert read("comperssor", known, among=1_000_000.0) == ["compressor"]
    assert read("comperssor", known | {"compressor": 150}, among=1e6) == ["comperssor"]
    # A letter for another is less of a typical slip than two swapped.
    rarer = {"header": 40, "heater": 40 * TIMES_RARER // 10}
    assert read("header", rarer, among=1e9) == ["header"]


def test_the_likelier_slip_wins_over_the_more_frequent_word():
    assert read("knokc", {"knock": 10, "knok": 12}) == ["knock"]
    assert read("startet", {"starter": 10, "startle": 12}) == ["starter"]


def test_a_slip_in_trade_shorthand_is_read_by_the_table():
    assert read("juddre", {"shudder": 5}) == ["shudder"]
    assert read("gaer box", {"gear": 5, "transmission": 5}) == ["transmission"]


def test_words_run_together_or_apart_are_read_as_the_cases_have_them():
    assert read("steeringwheel", {"steering": 9, "wheel": 9}) == ["steering", "wheel"]
    assert read("fly wheel", {"flywheel": 9, "wheel": 40}) == ["flywheel"]
    assert read("wheel hub", {"wheelhub": 1, "wheel": 40, "hub": 5}) == ["wheel", "hub"]


def test_what_the_trade_table_knows_is_no_slip():
    assert read("the judder", {"shudder": 0, "jude": 9}) == ["shudder"]


@pytest.mark.parametrize("text", ["", "...", "P0741", "12.5V", "ab", "x" * 60, "шум на холодную"])
def test_codes_numbers_and_foreign_words_stay(text):
    assert read(text, {"p0740": 9, "ac": 9, "in": 9}) == [
        t.spelt for t in Normaliser({}).read(text)
    ]


def test_long_texts_have_a_bounded_number_of_words_corrected():
    asked = []

    def counts(words):
        asked.append(len(words))
        return np.zeros(len(words))

    text = " ".join(f"qwert{a}{b}zz" for a in "abcdefgh" for b in "abcdefgh")
    read_as_known(Normaliser({}), text, counts, 1e6)
    assert len(asked) < 14


def distance(one, two):
    """Slips between two words, adjacent swaps counted once (restricted Damerau-Levenshtein)."""
    rows = [[i + j if not i * j else 0 for j in range(len(two) + 1)] for i in range(len(one) + 1)]
    for i in range(1, len(one) + 1):
        for j in range(1, len(two) + 1):
            differs = one[i - 1] != two[j - 1]
            best = min(rows[i - 1][j] + 1, rows[i][j - 1] + 1, rows[i - 1][j - 1] + differs)
            if i > 1 and j > 1 and one[i - 2 : i] == two[j - 2 : j][::-1]:
                best = min(best, rows[i - 2][j - 2] + 1)
            rows[i][j] = best
    return rows[-1][-1]


@given(st.text("abcd", min_size=5, max_size=7), st.text("abcd", min_size=4, max_size=8))
def test_one_slip_away_means_a_distance_of_one(word, other):
    reached = {candidate for candidate, _ in one_slip_away(word)}
    assert (other in reached - {word}) == (distance(word, other) == 1)


def test_everything_one_slip_away_is_at_a_distance_of_one():
    for word in ("brake", "gearbox"):
        assert {distance(word, c) for c, _ in one_slip_away(word)} - {0} == {1}


def make_index(*complaints):
    cases = [{"id": f"{i:02x}", "complaint": text} for i, text in enumerate(complaints)]
    return CaseIndex.build(cases, design=Design(replacements=TABLE))


def test_a_misspelt_query_finds_what_the_clean_one_finds_and_tells_what_was_written():
    index = make_index("compressor seized", "coolant leak", "noisy compressor", "wheel bearing")
    clean, slipped = (
        index.search({"complaint": text}) for text in ("compressor noisy", "comperssor noisy")
    )
    assert [(h.id, h.similarity) for h in slipped] == [(h.id, h.similarity) for h in clean]
    assert set(slipped[0].parts[0].matched) == {"comperssor", "noisy"}
    assert index.unknown_words({"complaint": "comperssor zzyzx"}) == ["zzyzx"]


def test_a_word_that_only_newer_cases_have_is_known():
    index = make_index("brake noise", "brake squeal").with_tail(
        [{"id": "ff", "complaint": "barke noise"}]
    )
    best = index.search({"complaint": "barke noise"})[0]
    assert (best.id, best.similarity) == ("ff", pytest.approx(1.0))
