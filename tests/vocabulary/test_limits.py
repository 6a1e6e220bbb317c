"""Values in other units, and which are possible, plausible or doubtful.

Conversion factors: exact by definition where a name says so; the limits of odometers are common
practice, no source.
"""

from __future__ import annotations

import math
import random
from datetime import date

import pytest

from casebook.vocabulary import Check, load_vocabulary
from casebook.vocabulary.limits import convert, normalise_number, odometer_doubts
from casebook.vocabulary.measures import dimension_of, find_measure, units_of

TODAY = date(2026, 6, 1)


def number(unit: str | None, **limits: tuple[float, float]) -> Check:
    return Check("sample", "Sample", "number", 5, unit=unit, **limits)


def doubts(value: float, unit: str, age: int | None) -> list[str]:
    return list(odometer_doubts(value, unit, age_years=age, today=TODAY))


# --- Units -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "value, unit, other, expected",
    [
        (1, "psi", "kPa", 6.894757),
        (1, "bar", "kPa", 100),
        (1, "MPa", "bar", 10),
        (1, "mbar", "kPa", 0.1),
        (29.92126, "inHg", "kPa", 101.325),  # the standard atmosphere
        (1, "atm", "mmHg", 760),
        (1, "kgf/cm²", "kPa", 98.0665),
        (1, "mi", "km", 1.609344),  # exact
        (60, "mph", "km/h", 96.56064),
        (1, "in", "mm", 25.4),  # exact
        (1, "thou", "µm", 25.4),
        (212, "°F", "°C", 100),
        (32, "°F", "°C", 0),
        (-40, "°C", "°F", -40),
        (0, "°C", "K", 273.15),
        (1, "lbft", "Nm", 1.355818),
        (12, "lbin", "lbft", 1),
        (1, "V", "mV", 1000),
        (1, "A", "mA", 1000),
        (4.7, "kΩ", "Ω", 4700),
        (1, "MΩ", "kΩ", 1000),
        (1, "l", "ml", 1000),
        (1, "qt", "l", 0.946352946),  # exact
        (4, "qt", "gal", 1),
        (1, "h", "min", 60),
        (1, "s", "ms", 1000),
        (1, "kg/h", "g/s", 1 / 3.6),
        (16, "oz", "lb", 1),
    ],
)
def test_values_convert_both_ways(value, unit, other, expected):
    assert convert(value, unit, other) == pytest.approx(expected, rel=1e-5, abs=1e-9)
    assert convert(expected, other, unit) == pytest.approx(value, rel=1e-5, abs=1e-9)


def test_conversion_agrees_with_a_second_computation_by_way_of_ratios():
    """a to b is a to the first unit times the first unit to b, for all pairs without an offset."""
    random.seed(1)
    for dimension in ("pressure", "length", "torque", "volume", "mass", "time", "resistance"):
        units = units_of(dimension)
        for one in units:
            for other in units:
                value = random.uniform(0.1, 1000)
                ratio = convert(1, one, units[0]) / convert(1, other, units[0])
                assert convert(value, one, other) == pytest.approx(value * ratio, rel=1e-12)


@pytest.mark.parametrize(
    "spellings, unit, dimension",
    [
        ("kPa KPA kpa kilopascal", "kPa", "pressure"),
        ("psi PSI psig Psi.", "psi", "pressure"),
        ("°C ºC ˚C ℃ C degC", "°C", "temperature"),
        ("ohm Ohms Ω Ω", "Ω", "resistance"),
        ("kohm kΩ KOHM k", "kΩ", "resistance"),
        ("Nm N·m NM", "Nm", "torque"),
        ("lbft lb-ft ft-lb", "lbft", "torque"),
        ("rpm RPM 1/min min-1", "rpm", "rotation"),
        ("µm μm um micron", "µm", "length"),
        ("% percent PCT", "%", "share"),
    ],
)
def test_a_unit_is_known_by_its_spellings(spellings, unit, dimension):
    for spelling in spellings.split():
        found = find_measure(spelling, dimension)
        assert found is not None, spelling
        assert found.unit == unit, spelling


def test_letter_case_counts_where_it_makes_a_difference():
    assert find_measure("mΩ", "resistance").factor == 0.001
    assert find_measure("MΩ", "resistance").factor == 1e6
    assert find_measure("MOHM", "resistance") is None  # milli or mega, who knows


def test_every_spelling_within_a_dimension_means_one_unit():
    for dimension in ("pressure", "temperature", "current", "volume"):
        for unit in units_of(dimension):
            assert find_measure(unit, dimension).unit == unit


@pytest.mark.parametrize(
    "value, unit, other, said",
    [
        (1, "kPa", "°C", "does not convert"),
        (1, "furlong", "km", "not a unit"),
        (1, "km", "", "not a unit"),
        (math.nan, "km", "mi", "finite"),
        (math.inf, "km", "mi", "finite"),
    ],
)
def test_what_can_not_be_converted_is_refused(value, unit, other, said):
    with pytest.raises(ValueError, match=said):
        convert(value, unit, other)


def test_every_unit_of_a_check_is_known():
    for check in load_vocabulary().checks.values():
        if check.unit is not None:
            assert dimension_of(check.unit) is not None, check.key


# --- Values of checks ------------------------------------------------------------------------


def test_a_value_comes_back_in_the_unit_of_the_check():
    pressure = number("kPa", hard=(0, 1000), soft=(150, 400))
    for value, unit in (
        (220, "kPa"),
        (2.2, "bar"),
        (31.9083, "psi"),
        (0.22, "MPa"),
        (2200, "mbar"),
    ):
        reading = normalise_number(pressure, value, unit)
        assert reading.value == pytest.approx(220, rel=1e-5)
        assert reading.doubts == ()


def test_a_difference_of_temperatures_has_no_zero_point():
    spread = number("K", hard=(0, 80), soft=(0, 8))
    assert normalise_number(spread, 9, "°F").value == 5
    assert normalise_number(spread, 5, "°C").value == 5
    assert normalise_number(number("°C"), 9, "°F").value == pytest.approx(-12.7778, abs=1e-4)


@pytest.mark.parametrize("unit", [None, "", "km", "furlong"])
def test_a_missing_or_wrong_unit_is_refused_with_those_that_are_accepted(unit):
    with pytest.raises(ValueError, match="kPa, bar, psi"):
        normalise_number(number("kPa"), 200, unit)


def test_a_check_without_a_unit_takes_none():
    assert normalise_number(number(None), 7, None).value == 7
    with pytest.raises(ValueError, match="leave kPa out"):
        normalise_number(number(None), 7, "kPa")


@pytest.mark.parametrize("value", [-0.001, 1000.001, 5_000])
def test_outside_the_hard_limits_is_refused_and_says_them(value):
    with pytest.raises(ValueError, match="it lies from 0 to 1,000 kPa"):
        normalise_number(number("kPa", hard=(0, 1000)), value, "kPa")


@pytest.mark.parametrize("value, unit", [(0, "kPa"), (1000, "kPa"), (10, "bar"), (1, "MPa")])
def test_the_hard_limits_themselves_are_possible_in_any_unit(value, unit):
    normalise_number(number("kPa", hard=(0, 1000)), value, unit)


def test_outside_the_soft_limits_is_accepted_with_a_doubt_that_says_the_limit():
    check = number("kPa", hard=(0, 1000), soft=(150, 400))
    low = normalise_number(check, 149, "kPa")
    assert low.value == 149
    assert low.doubts == ("Sample: 149 kPa is less than the usual 150 kPa or more.",)
    high = normalise_number(check, 401, "kPa")
    assert high.doubts == ("Sample: 401 kPa is more than the usual 400 kPa or less.",)
    other = normalise_number(check, 10, "psi")
    assert other.doubts == ("Sample: 10 psi (68.9 kPa) is less than the usual 150 kPa or more.",)
    for usual in (150, 400):
        assert normalise_number(check, usual, "kPa").doubts == ()


@pytest.mark.parametrize(
    "own, soft, value, unit, meant",
    [
        ("°C", (75, 115), 195, "°C", "195 °F"),
        ("kPa", (150, 400), 33, "kPa", "33 psi"),
        ("kPa", (150, 400), 2.3, "kPa", "2.3 bar"),
        ("V", (11.8, 12.9), 12_400, "V", "12400 mV"),
        ("mm", (2, 20), 0.3, "mm", "0.3 in"),
        ("Nm", (80, 120), 74, "Nm", "74 lbft"),
    ],
)
def test_a_doubt_names_the_unit_in_which_the_value_would_be_usual(own, soft, value, unit, meant):
    assert (
        normalise_number(number(own, soft=soft), value, unit).doubts[0].endswith(f"Was it {meant}?")
    )


def test_a_refusal_names_that_unit_too():
    check = number("V", hard=(0, 32), soft=(11.8, 12.9))
    with pytest.raises(ValueError, match="Was it 12400 mV"):
        normalise_number(check, 12_400, "V")


def test_a_value_that_is_usual_in_no_other_unit_gets_no_hint():
    check = number("°C", hard=(-60, 215), soft=(75, 115))
    assert "Was it" not in normalise_number(check, 130, "°C").doubts[0]


def test_a_supply_voltage_is_judged_by_the_system_it_is_nearer_to():
    check = load_vocabulary().checks["battery_voltage_rest"]
    assert normalise_number(check, 24.8, "V").doubts == ()
    assert "11.8 V or more" in normalise_number(check, 11.2, "V").doubts[0]
    assert "24 V system" in normalise_number(check, 22.9, "V").doubts[0]


def test_large_numbers_are_written_out():
    check = number("kΩ", soft=(500, 1e8))
    assert "100,000,000 kΩ" in normalise_number(check, 2e8, "kΩ").doubts[0]


@pytest.mark.parametrize("value", [math.nan, math.inf, True])
def test_what_is_no_number_is_refused(value):
    with pytest.raises(ValueError, match="finite number"):
        normalise_number(number("kPa"), value, "kPa")


# --- Odometers -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "value, unit, age",
    [
        (131_000, "km", 7),
        (0, "km", 0),
        (800_000, "km", 10),
        (160_000, "km", 0),
        (160_000, "km", 1),
        (99_419, "mi", 1),
        (400_000, "mi", None),
        (12_000, "h", 8),
        (30_000, "h", None),
    ],
)
def test_plausible_odometers_raise_no_doubt(value, unit, age):
    assert doubts(value, unit, age) == []


@pytest.mark.parametrize(
    "value, unit, age, said",
    [
        (800_001, "km", 20, ["more than 800,000 km", "tenths"]),
        (497_098, "mi", 20, ["800,000 km", "count miles?"]),
        (160_001, "km", 1, ["in 1 year is more than 160,000 km a year", "tenths"]),
        (640_010, "km", 4, ["in 4 years", "tenths"]),
        (99_420, "mi", 1, ["160,000 km a year", "count miles?"]),
        (1_500_000, "km", None, ["800,000 km", "tenths"]),
    ],
)
def test_implausible_odometers_say_the_limit_and_what_it_may_be(value, unit, age, said):
    found = doubts(value, unit, age)
    assert len(found) == len(said)
    for sentence, words in zip(found, said, strict=True):
        assert words in sentence


def test_both_limits_may_be_passed():
    assert len(doubts(4_900_000, "km", 2)) == 2  # in tenths it would still be too much a year


def test_an_odometer_of_five_digits_may_have_started_again():
    assert "five digits" in doubts(45_000, "km", 36)[0]
    assert doubts(45_000, "km", 35) == []
    assert doubts(145_000, "km", 40) == []


@pytest.mark.parametrize(
    "value, age, said",
    [
        (30_001, None, "more than 30,000 h"),
        (8_785, 1, "a year has 8,784 h"),
        (6_001, 1, "6,000 h a year"),
    ],
)
def test_hour_meters_have_limits_of_their_own(value, age, said):
    assert said in doubts(value, "h", age)[0]


@pytest.mark.parametrize(
    "value, unit, age",
    [(-1, "km", 3), (5_000_001, "km", 3), (math.nan, "km", 3), (1, "miles", 3), (1, "km", -1)],
)
def test_impossible_odometers_are_refused_at_once(value, unit, age):
    with pytest.raises(ValueError):
        odometer_doubts(value, unit, age_years=age)
