"""Facts of the trade that the data files carry, with what they rest on.

They set vocabularies and limits and never become probabilities.
"""

from __future__ import annotations

import re

import pytest

from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.limits import normalise_number

# check, hard, soft. Common practice, no source; the sensor range of coolant is that of service 01
# of SAE J1979 as a public scanner library prints it.
LIMITS = [
    ("tyre_pressure", (0, 1000), (150, 400)),
    ("oil_pressure_idle", (0, 1500), (35, None)),
    ("oil_pressure_revs", (0, 1500), (150, 600)),
    ("line_pressure_idle", (0, 4000), (300, 800)),
    ("line_pressure_stall", (0, 4000), (800, 2500)),
    ("coolant_temperature_cruise", (-60, 215), (None, 115)),
    ("fluid_temperature", (-60, 250), (None, 120)),
    ("battery_voltage_rest", (0, 32), (11.8, 12.9)),
    ("charging_voltage", (0, 32), (13.2, 15.0)),
    ("stall_speed", (0, 6000), (1200, 3200)),
]


@pytest.mark.parametrize("key, hard, soft", LIMITS)
def test_limits_of_measured_values(key, hard, soft):
    check = load_vocabulary().checks[key]
    assert check.hard == hard
    for said, wanted in zip(check.soft, soft, strict=True):
        assert wanted is None or said == wanted


def severities(key: str) -> dict[str, float | None]:
    return {result.key: result.severity for result in load_vocabulary().checks[key].results}


def test_fluid_readings_rank_as_trade_articles_do():
    # Trade articles, several agree, no primary source: burnt fluid is worse than darkened, water
    # or coolant in it worst; some fluids are dark without harm.
    fluid = severities("fluid_condition")
    assert fluid["normal"] < fluid["darkened"] < fluid["dark_burnt"] < fluid["milky"]


def test_debris_readings_rank_as_trade_articles_do():
    # Trade articles, several agree: paste too fine to feel is normal wear, visible flakes are
    # not, chunks mean failure in progress. The boundary of 1 mm for chunks is our own.
    debris = severities("pan_debris")
    assert debris["normal"] < 0.1
    assert debris["normal"] < debris["heavy_paste"] < debris["visible_flakes"] < debris["chunks"]
    assert load_vocabulary().checks["pan_debris"].normal == "normal"


def test_debris_is_sorted_by_magnet():
    # Trade articles: steel sticks to the magnet, aluminium and brass do not.
    assert {"steel", "aluminium_or_brass", "lining"} <= severities("debris_material").keys()


def test_stall_speed_is_judged_within_150_rpm():
    # Operator's manual of a heavy automatic: 150 rpm to either side; a third below points to
    # engine or freewheeling stator.
    stall = severities("stall_speed_against_maker")
    assert list(stall) == ["third_below", "below", "normal", "above"]
    assert "150 rpm" in load_vocabulary().checks["stall_speed_against_maker"].meaning


def test_stall_tests_come_with_their_caution_and_warm():
    # Common practice, no source: seconds only, hot fluid, not with low line pressure.
    for key in ("stall_speed", "stall_speed_against_maker", "line_pressure_stall"):
        check = load_vocabulary().checks[key]
        assert "stall_test" in check.cautions
        assert {"warm", "fluid_level_right"} <= set(check.before)


def test_engine_oil_that_is_only_black_is_normal():
    # Common practice, no source.
    assert severities("oil_condition_engine")["normal"] == 0
    assert severities("oil_condition_engine")["glitter"] == 1


def test_brake_fluid_minimum_is_the_wet_point_of_dot_4():
    # 49 CFR 571.116 S5.1.2: wet, DOT 3 140 °C, DOT 4 155 °C (through a note that quotes it);
    # DOT 5.1 180 °C.
    check = load_vocabulary().checks["brake_fluid_boiling_point"]
    assert check.soft[0] == 155
    assert "49 CFR 571.116" in check.source
    for said in ("DOT 3 140", "DOT 4 155", "DOT 5.1 180"):
        assert said in check.meaning


def test_facts_without_a_published_source_say_so():
    said = {check.source for check in load_vocabulary().checks.values()}
    assert "common practice, no source" in said
    for source in said - {"common practice, no source"}:
        assert any(word in source for word in ("no primary source", "verified", "by reference"))


@pytest.mark.parametrize("key", ["battery_voltage_rest", "charging_voltage", "cranking_voltage"])
def test_24_volt_systems_have_usual_values_of_their_own(key):
    # Two 12 V batteries in line: double, within a tenth. Common practice, no source.
    check = load_vocabulary().checks[key]
    low, high = check.soft_24v
    assert low == pytest.approx(2 * check.soft[0], rel=0.1)
    assert high == pytest.approx(2 * check.soft[1], rel=0.1)
    assert any(low <= centre <= high for centre in check.bins)


def test_traction_packs_have_limits_of_their_own():
    check = load_vocabulary().checks["pack_voltage"]
    assert check.hard[1] > 800
    assert "high_voltage" in check.cautions


NUMBERS = [check for check in load_vocabulary().checks.values() if check.kind == "number"]


@pytest.mark.parametrize("check", NUMBERS, ids=lambda check: check.key)
def test_every_measured_value_knows_its_unit_and_its_limits(check):
    for low, high in filter(None, (check.soft, check.soft_24v)):
        for usual in (low, (low + high) / 2, high):
            reading = normalise_number(check, usual, check.unit)
            assert reading.value == usual
            assert list(reading.doubts) == []
    span = check.hard[1] - check.hard[0]
    for impossible in (check.hard[0] - span / 100, check.hard[1] + span / 100):
        with pytest.raises(ValueError, match=re.escape(check.label)):
            normalise_number(check, impossible, check.unit)


@pytest.mark.parametrize(
    "volts, doubted", [(24.8, False), (12.5, False), (14.0, True), (22.0, True)]
)
def test_a_resting_battery_is_judged_by_the_system_it_is_nearer_to(volts, doubted):
    reading = normalise_number(load_vocabulary().checks["battery_voltage_rest"], volts, "V")
    assert bool(reading.doubts) == doubted
    assert any("24 V" in doubt for doubt in reading.doubts) == (volts == 22.0)
