"""What each block holds to be alike, and in whose words it says so."""

import itertools

import pytest

from search.core import CaseIndex, Design, Scale
from search.core.design import WEIGHTS
from search.core.reading import soft_bins
from search.core.text import letter_groups

SCALES = {
    "fluid": Scale(results=("clean", "dark", "burnt", "metal")),
    "pressure": Scale(centres=(0.0, 100.0, 200.0)),
}


def index_of(*cases, block=None, replacements=None, **options):
    """All weight on one block, and no credit for silence, unless told otherwise."""
    if block:
        options.setdefault("weights", dict.fromkeys(WEIGHTS, 0.0) | {block: 1.0})
        options.setdefault("credits", dict.fromkeys(WEIGHTS, 0.0))
    design = Design(scales=SCALES, replacements=replacements or {}, **options)
    return CaseIndex.build([case | {"id": str(i)} for i, case in enumerate(cases)], design=design)


def similarities(index, query):
    found = {hit.id: hit.similarity for hit in index.search(query, limit=100)}
    return [found.get(str(i), 0.0) for i in range(len(index))]


def matched(index, query, block):
    """Of the best case."""
    parts = {part.block: part for part in index.search(query)[0].parts}
    return parts[block].matched


def finding(check, result):
    key = "result" if isinstance(result, str) else "value"
    return {"findings": [{"check": check, key: result}]}


# --- Text -------------------------------------------------------------------------------------


def test_a_misspelt_word_is_found_and_told_as_the_user_wrote_it():
    index = index_of({"complaint": "shudders under load"}, {"complaint": "whines"})
    assert matched(index, {"complaint": "Shuders"}, "text") == ("Shuders",)


def test_trade_shorthand_meets_the_full_words_and_is_told_as_written():
    index = index_of(
        {"complaint": "torque converter slips"}, replacements={"tq conv": "torque converter"}
    )
    assert matched(index, {"complaint": "TQ conv"}, "text") == ("TQ conv",)
    assert similarities(index, {"complaint": "tq conv slips"}) == [1.0]


def test_a_few_shared_letters_are_not_told_as_a_match():
    index = index_of({"complaint": "gearbox town"})
    assert "own" in letter_groups("brown", 3)
    query = {"complaint": "gearbox brown"}
    assert matched(index, query, "text") == ("gearbox",)


def test_neighbouring_words_tell_two_orders_apart():
    index = index_of({"complaint": "cold no drive"}, {"complaint": "no cold drive"})
    one, two = similarities(index, {"complaint": "no drive"})
    assert one > two


def test_every_part_of_the_text_is_shown_as_one():
    index = index_of({"complaint": "warm air in town", "make": "Corvane"})
    blocks = [part.block for part in index.search({"complaint": "warm air"})[0].parts]
    assert blocks == ["text"]


# --- Codes ------------------------------------------------------------------------------------


def code(name, family, subsystem="transmission", failure_type=None):
    return {
        "codes": [
            {"code": name, "family": family, "subsystem": subsystem, "failure_type": failure_type}
        ]
    }


def test_codes_are_nearer_the_more_of_their_circuit_they_share():
    index = index_of(
        code("P0741", "P0740"),
        code("P0740", "P0740"),
        code("P0720", "P0720"),
        code("P0534", "P0530", "hvac"),
        block="codes",
    )
    same, family, subsystem, other = similarities(index, code("P0741", "P0740"))
    assert same == 1.0
    assert 1 > family > subsystem > other == 0


def test_a_failure_type_makes_the_same_code_nearer():
    index = index_of(
        code("P0741", "P0740", failure_type="62"),
        code("P0741", "P0740", failure_type="17"),
        code("P0741", "P0740"),
        block="codes",
    )
    same, other, without = similarities(index, code("P0741", "P0740", failure_type="62"))
    assert same == 1.0
    assert same > without > other


def test_a_code_of_the_family_is_told_as_the_code_that_was_asked_for():
    index = index_of(code("P0740", "P0740"))
    assert matched(index, code("P0741", "P0740"), "codes") == ("P0741",)


def test_a_code_of_the_same_subsystem_only_is_no_match_to_tell():
    index = index_of(code("P0720", "P0720"))
    assert matched(index, code("P0741", "P0740"), "codes") == ()


# --- Symptoms ---------------------------------------------------------------------------------


def symptom(key, *when):
    return {"symptoms": [{"key": key, "when": list(when)}]}


def test_conditions_tell_faults_apart_and_unsaid_ones_are_not_held_against_a_case():
    index = index_of(
        symptom("slips", "cold"),
        symptom("slips", "hot"),
        symptom("slips"),
        symptom("noise", "cold"),
        {"complaint": "slips"},
        block="symptoms",
        credits={"symptoms": 0.3},
    )
    same, contradicts, unsaid, other, silent = similarities(index, symptom("slips", "cold"))
    assert same == 1.0
    assert contradicts == pytest.approx(0.5, abs=1e-7)
    assert unsaid == pytest.approx(0.5 + 0.5 * 0.3, abs=1e-7)
    assert other == silent == 0.0  # nothing in common: no answer


def test_what_else_a_case_has_does_not_matter():
    many = {"symptoms": [{"key": key} for key in ("slips", "noise", "leak", "smell")]}
    index = index_of(symptom("slips"), many, block="symptoms")
    assert similarities(index, symptom("slips")) == [1.0, 1.0]


def test_a_rare_symptom_weighs_more_than_a_common_one():
    common = [symptom("noise") for _ in range(20)]
    index = index_of(symptom("slips"), *common, block="symptoms")
    query = {"symptoms": [{"key": "slips"}, {"key": "noise"}]}
    rare, usual, *_ = similarities(index, query)
    assert rare > 0.5 > usual


def test_matched_conditions_are_told():
    index = index_of(symptom("slips", "cold", "idle"))
    told = matched(index, symptom("slips", "cold", "hot"), "symptoms")
    assert told == ("slips", "slips (cold)")


# --- Findings ---------------------------------------------------------------------------------


def test_neighbouring_results_of_an_ordered_check_are_partly_alike():
    results = ["clean", "dark", "burnt", "metal"]
    index = index_of(*(finding("fluid", r) for r in results), block="findings")
    assert similarities(index, finding("fluid", "dark")) == [0.5, 1.0, 0.5, 0.0]


def test_a_neighbouring_result_counts_but_is_not_told_as_what_the_user_said():
    index = index_of(finding("fluid", "burnt") | {"make": "Corvane"})
    query = finding("fluid", "dark") | {"make": "Corvane"}
    parts = {part.block: part for part in index.search(query)[0].parts}
    assert parts["findings"].share > 0
    assert parts["findings"].matched == ()
    assert matched(index, finding("fluid", "burnt"), "findings") == ("fluid: burnt",)


def test_checked_and_normal_is_not_the_same_as_not_checked():
    index = index_of(
        finding("fluid", "clean") | {"make": "Corvane"},
        finding("fluid", "metal") | {"make": "Corvane"},
        {"make": "Corvane"},
    )
    asked_normal = similarities(index, finding("fluid", "clean") | {"make": "Corvane"})
    asked_metal = similarities(index, finding("fluid", "metal") | {"make": "Corvane"})
    # A normal result is evidence for, silence is in between, a contradiction costs most.
    assert asked_normal[0] > asked_normal[2] > asked_normal[1]
    assert asked_metal[1] > asked_metal[2] > asked_metal[0]


def test_one_match_against_a_case_with_many_findings_is_a_full_match():
    rich = {"findings": [{"check": f"c{i}", "result": "odd"} for i in range(6)]}
    index = index_of(rich, block="findings")
    assert similarities(index, finding("c3", "odd")) == [1.0]


def test_silence_about_a_check_is_a_part_of_its_own():
    index = index_of({"complaint": "slips"})
    hit = index.search({"complaint": "slips"} | finding("fluid", "metal"))[0]
    silent = hit.parts[-1]
    text, findings = (WEIGHTS["words"] + WEIGHTS["letters"]), WEIGHTS["findings"]
    assert (silent.block, silent.matched) == ("not_recorded", ())
    assert silent.share == pytest.approx(0.20 * findings / (text + findings), abs=1e-6)


def test_numbers_are_the_more_alike_the_nearer_they_lie():
    index = index_of(*(finding("pressure", 10.0 * i) for i in range(21)), block="findings")
    seen = similarities(index, finding("pressure", 100.0))
    assert seen[10] == max(seen) == 1.0
    assert seen[:11] == sorted(seen[:11])
    assert seen[10:] == sorted(seen[10:], reverse=True)
    assert seen[0] == seen[20] == 0.0


def test_beyond_the_last_centre_all_numbers_are_alike():
    index = index_of(finding("pressure", 500.0), block="findings")
    assert similarities(index, finding("pressure", 200.0)) == [1.0]


def test_the_last_result_of_a_check_counts():
    twice = {
        "findings": [
            {"check": "fluid", "result": "clean"},
            {"check": "fluid", "result": "metal"},
        ]
    }
    index = index_of(twice, block="findings")
    assert similarities(index, finding("fluid", "metal")) == [1.0]
    assert similarities(index, finding("fluid", "clean")) == [0.0]


@pytest.mark.parametrize("value", [-5.0, 0.0, 33.0, 100.0, 150.0, 200.0, 1e9])
def test_soft_bins_add_up_to_one_and_centre_on_the_value(value):
    bins = soft_bins(value, (0.0, 100.0, 200.0))
    assert sum(share for _, share in bins) == pytest.approx(1.0)
    inside = min(max(value, 0.0), 200.0)
    assert sum((0.0, 100.0, 200.0)[i] * share for i, share in bins) == pytest.approx(inside)


# --- Vehicle, unit, age, odometer -------------------------------------------------------------


def test_names_are_compared_however_they_are_spelt():
    index = index_of({"make": "Corvane", "model": "Parcel 300", "unit_family": "KX-7"})
    query = {"make": "CORVANE", "model": "parcel-300", "unit_family": "kx7"}
    assert similarities(index, query) == [1.0]


def test_the_words_of_an_engine_are_compared_one_by_one():
    index = index_of(
        {"engine": "2.0 diesel"}, {"engine": "1.6 diesel"}, {"engine": "petrol"}, block="vehicle"
    )
    assert similarities(index, {"engine": "2.0 diesel"}) == [1.0, 0.5, 0.0]


def test_what_the_query_leaves_open_is_not_compared():
    index = index_of({"make": "Corvane", "model": "City", "unit_kind": "engine", "age_years": 3.0})
    assert similarities(index, {"make": "Corvane"}) == [1.0]


@pytest.mark.parametrize("field, unit", [("age_years", 1.0), ("odometer_km", 15_000.0)])
def test_age_and_odometer_fall_off_smoothly(field, unit):
    index = index_of(*({field: unit * i} for i in range(20)))
    seen = similarities(index, {field: unit * 7})
    assert seen[7] == max(seen) == 1.0
    assert all(abs(a - b) < 0.75 for a, b in itertools.pairwise(seen))
    assert seen[19] == 0.0


def test_an_amount_is_told_as_it_was_given():
    index = index_of({"odometer_km": 130_000.0})
    query = {"odometer_km": 130_356.0, "said": {"odometer_km": "81000 mi"}}
    assert matched(index, query, "odometer") == ("81000 mi",)


def test_a_far_odometer_is_not_told_as_a_match():
    index = index_of({"odometer_km": 115_000.0, "make": "Corvane"})
    query = {"odometer_km": 131_000.0, "make": "Corvane"}
    assert matched(index, query | {"odometer_km": 117_000.0}, "odometer") == ("117000 km",)
    assert matched(index, query | {"odometer_km": 145_000.0}, "odometer") == ()


# --- The whole --------------------------------------------------------------------------------


def test_weights_are_shared_out_among_what_the_query_has():
    index = index_of({"make": "Corvane", "unit_kind": "engine"})
    shares = {
        p.block: p.share for p in index.search({"make": "Corvane", "unit_kind": "x"})[0].parts
    }
    vehicle, unit = WEIGHTS["vehicle"], WEIGHTS["unit"]
    assert shares == {"vehicle": pytest.approx(vehicle / (vehicle + unit), abs=1e-6)}


def test_the_set_weights_of_what_is_read_add_up_to_one():
    learned = WEIGHTS["cures"]
    assert sum(WEIGHTS.values()) - learned == pytest.approx(1.0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"weights": WEIGHTS | {"words": -0.1}},
        {"weights": WEIGHTS | {"words": float("nan")}},
        {"credits": {"words": 1.5}},
        {"weights": {"colour": 1.0}},
        {"neighbour_alikeness": 2.0},
        {"letter_group_size": 1},
    ],
)
def test_a_design_that_would_leave_the_unit_interval_is_refused(wrong):
    with pytest.raises(ValueError):
        Design(**wrong)


def test_only_what_is_stored_is_in_the_fingerprint():
    base = Design(scales=SCALES).fingerprint
    assert Design(scales=SCALES, weights=WEIGHTS | {"words": 0.5}).fingerprint == base
    assert Design(scales=SCALES, replacements={"a": "b"}).fingerprint != base
    assert Design().fingerprint != base


def test_a_design_survives_json():
    design = Design(scales=SCALES, replacements={"a/c": "air conditioning"})
    assert Design.from_dict(design.as_dict()) == design
