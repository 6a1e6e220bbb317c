"""What a VIN says. Sources: ISO 3779 and 49 CFR 565.15 (position-7 sentence seen in a stored text
of the regulation; transliteration and weights seen in many independent implementations).

Marks: [run] reproduced with an independent library; [from memory] not verified.
"""

from __future__ import annotations

import random
import string
from datetime import date

import pytest
from vininfo import Vin
from vininfo.dicts import COUNTRIES

from casebook.vocabulary.vin import VinError, check_digit, read_vin

TODAY = date(2026, 6, 1)
SIGNS = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"


def naive_check_digit(vin: str) -> str:
    """The same rule once more, by the letters' order instead of a table: I, O and Q count along,
    S begins at 2."""
    total = 0
    for sign, weight in zip(vin, [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2], strict=True):
        if sign.isdigit():
            value = int(sign)
        elif sign <= "R":
            value = (ord(sign) - ord("A")) % 9 + 1
        else:
            value = ord(sign) - ord("S") + 2
        total += value * weight
    return "0123456789X"[total % 11]


# Published and computed check digits [run]: sum modulo 11 of the weighted values.
@pytest.mark.parametrize(
    "vin, verdict, expected",
    [
        ("1M8GDM9AXKP042788", "ok", "X"),
        ("11111111111111111", "ok", "1"),
        ("5GZCZ43D13S812715", "ok", "1"),
        ("1HGCM82633A004352", "ok", "3"),
        ("1FACP45EXLF192944", "ok", "X"),  # a textbook prints the sum 373 for it
        ("1HGCM82633A004353", "wrong", "5"),
        ("1M8GDM9A1KP042788", "wrong", "X"),
    ],
)
def test_check_digits_are_those_of_the_published_examples(vin, verdict, expected):
    reading = read_vin(vin, today=TODAY)
    assert (reading.check_digit, reading.expected) == (verdict, expected)


def test_the_check_digit_agrees_with_a_second_implementation_and_another_library():
    random.seed(7)
    for _ in range(500):
        vin = "1" + "".join(random.choices(SIGNS, k=16))
        assert check_digit(vin) == naive_check_digit(vin)
        right = vin[:8] + check_digit(vin) + vin[9:]
        assert read_vin(right, today=TODAY).check_digit == "ok"
        assert Vin(right).verify_checksum(check_year=False)
        wrong = vin[:8] + ("1" if check_digit(vin) != "1" else "2") + vin[9:]
        assert read_vin(wrong, today=TODAY).check_digit == "wrong"
        assert not Vin(wrong).verify_checksum(check_year=False)


def test_39_of_512_single_substitutions_go_undetected():
    """Characters of equal value can be swapped, and position 9 has weight 0 [run]."""
    vin = "1M8GDM9AXKP042788"
    changed = [
        vin[:i] + sign + vin[i + 1 :]
        for i in range(17)
        if i != 8
        for sign in SIGNS
        if sign != vin[i]
    ]
    assert len(changed) == 512
    assert sum(check_digit(other) == other[8] for other in changed) == 39


def test_outside_north_america_the_check_digit_is_not_used_but_may_be_right():
    assert read_vin("WP0ZZZ99ZTS392124", today=TODAY).check_digit == "not_used"
    assert read_vin("WP0ZZZ998TS392124", today=TODAY).check_digit == "ok"


# [run]; code letters 1980 to 2009 and again 2010 to 2039. The likeliest year first; the other one
# is that of a heavy truck, bus, trailer or motorcycle, which position 7 says nothing about.
@pytest.mark.parametrize(
    "vin, years",
    [
        ("1HGCM82633A004352", (2003,)),  # digit in position 7; 2033 is to come
        ("5GZCZ43D13S812715", (2003,)),  # digit
        ("1HGCR2F3XFA027534", (2015, 1985)),  # letter
        ("4T1BF1FK5GU260429", (2016, 1986)),  # letter
        ("1FACP45EXLF192944", (1990, 2020)),  # digit
        ("1M8GDM9AXKP042788", (1989, 2019)),  # a bus of 1989; vininfo gives both years too
    ],
)
def test_position_7_says_which_year_is_likelier_in_north_america(vin, years):
    assert read_vin(vin, today=TODAY).years == years
    if len(years) == 2:
        assert sorted(years) == sorted(Vin(vin).years)


# Made up; what the rule leaves out is in 49 CFR 565.15, the rest is common practice, no source.
@pytest.mark.parametrize(
    "vin, years",
    [
        ("1A9AA1515FA123456", (2015, 1985)),  # small maker, digit: most likely a trailer
        ("1A8AA1515FA123456", (1985, 2015)),  # the same of a large one
        ("7SAAA1515FA123456", (2015, 1985)),  # codes with 7 in front are younger than the cycle
        ("1A9AA1A15FA123456", (2015, 1985)),  # a letter says the same
    ],
)
def test_of_makers_outside_the_rule_the_newer_year_is_likelier(vin, years):
    assert read_vin(vin, today=TODAY).years == years


@pytest.mark.parametrize(
    "vin, years",
    [
        ("WP0ZZZ99ZTS392124", (2026, 1996)),  # the rule binds nobody there
        ("WP0ZZZ998TS392124", (1996, 2026)),  # its check digit is right: perhaps made for export
        ("WP0ZZZZ99TS392124", (2026, 1996)),
        ("VF1AAAAA0Z1234567", ()),  # Z is no year
        ("VF1AAAAA001234567", ()),  # nor is 0
        ("VF1AAAAA0U1234567", ()),  # nor U
        ("VF1AAAAA0Y1234567", (2000,)),  # 2030 is too far ahead
    ],
)
def test_outside_north_america_position_7_counts_only_beside_a_right_check_digit(vin, years):
    assert read_vin(vin, today=TODAY).years == years


def test_year_codes_run_through_thirty_years_without_i_o_q_u_z_and_0():
    cycle = "ABCDEFGHJKLMNPRSTVWXY123456789"
    for offset, code in enumerate(cycle):
        vin = f"VF1AAAAA0{code}1234567"
        years = read_vin(vin, today=date(2039, 1, 1)).years
        assert sorted(years) == [1980 + offset, 2010 + offset]


@pytest.mark.parametrize("this_year, years", [(2026, (1998,)), (2027, (2028, 1998))])
def test_years_go_no_further_than_the_next(this_year, years):
    assert read_vin("VF1AAAAA0W1234567", today=date(this_year, 1, 1)).years == years


def test_a_year_to_come_by_the_rule_means_that_the_rule_does_not_hold():
    """A heavy truck of 2005 with a letter in position 7: 2035 can't be."""
    assert read_vin("1XPAAAA0X5D123456", today=TODAY).years == (2005,)


def test_the_year_that_a_vehicle_outside_the_rule_may_have_is_never_left_out():
    """Position 7 turned round, as a trailer may carry it, changes the order and nothing else."""
    random.seed(5)
    for _ in range(500):
        digit = "1A8AA15" + "".join(random.choices(SIGNS, k=10))
        letter = digit[:6] + "K" + digit[7:]
        years = read_vin(digit, today=TODAY).years
        assert read_vin(letter, today=TODAY).years == years[::-1]
        assert list(years) == sorted(years)


def test_spaces_dashes_small_letters_and_look_alikes_are_tolerated():
    plain = read_vin("1M8GDM9AXKP042788", today=TODAY)
    for text in ("1m8 gdm9ax kp042788", " 1M8-GDM9A-XKP042788\n", "1М8GDМ9АХКР042788"):
        assert read_vin(text, today=TODAY) == plain


@pytest.mark.parametrize(
    "text, remedy",
    [
        ("", "Give the 17 characters"),
        ("1M8GDM9AXKP04278", "this has 16; add what is missing"),
        ("1M8GDM9AXKP0427889", "this has 18; remove what is too much"),
        ("1M8GDM9AXKPO42788", "perhaps 0 for O"),
        ("IM8GDM9AXKP042788", "perhaps 1 for I"),
        ("1M8GDM9AXKPQ42788", "perhaps 0 for Q"),
        ("1M8GDM9AXKP04278!", "remove !"),
    ],
)
def test_what_is_no_vin_is_refused_with_the_remedy(text, remedy):
    with pytest.raises(VinError) as refusal:
        read_vin(text)
    assert remedy in str(refusal.value)


def test_any_text_is_read_or_refused_in_a_short_sentence():
    random.seed(11)
    said = set()
    for _ in range(2_000):
        text = "".join(random.choices(string.printable + "ÄЯ漢", k=random.randint(0, 30)))
        try:
            read_vin(text, today=TODAY)
        except VinError as refusal:
            said.add(str(refusal))
    assert max(map(len, said)) < 160


def test_countries_are_those_of_another_table():
    """[from memory], agreeing with vininfo's table of ISO 3780 wherever one is named."""
    named = 0
    for first in SIGNS:
        for second in SIGNS:
            country = read_vin(f"{first}{second}1AAAAA001234567").country
            if country is not None:
                named += 1
                assert country == COUNTRIES[first + second], first + second
    assert named > 450


@pytest.mark.parametrize(
    "vin, region, north_american",
    [
        ("1HGCM82633A004352", "North America", True),
        ("3AAAAAAA001234567", "North America", True),
        ("7SAAAAAA001234567", "North America", True),  # given out to the United States
        ("7AAAAAAA001234567", "Oceania", False),
        ("WP0ZZZ99ZTS392124", "Europe", False),
        ("JT1AAAAA001234567", "Asia", False),
        ("9BAAAAAA001234567", "South America", False),
        ("AAAAAAAA001234567", "Africa", False),
        ("0AAAAAAA001234567", None, False),
    ],
)
def test_regions(vin, region, north_american):
    reading = read_vin(vin, today=TODAY)
    assert (reading.region, reading.north_american) == (region, north_american)


def test_a_nine_in_third_place_marks_a_small_maker():
    assert read_vin("1A9AAAAA001234567", today=TODAY).small_maker
    assert not read_vin("1A8AAAAA001234567", today=TODAY).small_maker
    assert read_vin("1A8AAAAA001234567", today=TODAY).maker_code == "1A8"
