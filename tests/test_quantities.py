"""Quantities in files are read strictly; what a user types is read in exactly one way or asked back.

Expected values are written out by hand; codes such as 4k7 are those of IEC 60062 (from memory), prefixes
those of the SI brochure.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from diagnose.errors import ObservationError, QuantityError
from diagnose.quantities import UNITS, WRITTEN, Reading, any_quantity, quantity, read_reading, write


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("0.5 ohm", "ohm", 0.5),
        ("470 mohm", "ohm", 0.47),
        ("4.7 kohm", "ohm", 4700.0),
        ("10 Mohm", "ohm", 1e7),
        ("12.6V", "V", 12.6),
        ("-0.4 V", "V", -0.4),
        ("25 mA", "A", 0.025),
        ("1 pA", "A", 1e-12),
        ("0.22 uF", "F", 0.22e-6),
        ("4 mm2", "mm2", 4.0),
        ("300 mm", "m", 0.3),
        ("3 min", "min", 3.0),
        ("1300 rpm", "rpm", 1300.0),
        ("5 %", "1", 0.05),
        ("5 %", "%", 0.05),
        ("0.05", "%", 0.05),
        ("85", "1", 85.0),
    ],
)
def test_a_quantity_of_a_file_is_si_except_areas_minutes_and_speeds(text, unit, number):
    assert quantity(text, unit) == number


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("3.4 V", "ohm", "'3.4 V' is a voltage; expected a resistance such as '3.4 ohm'"),
        ("85", "ohm", "'85' is a pure number; expected a resistance such as '85 ohm'"),
        ("4 mm2", "m", "'4 mm2' is an area; expected a length such as '4 m'"),
        ("3 ohm", "1", "'3 ohm' is a resistance; expected a pure number such as '3'"),
        (85, "ohm", "85 is not quoted; expected quotes, such as '0.5 ohm' or '85'"),
        (None, "ohm", "None is not quoted"),
        ("1e5 ohm", "ohm", "'1e5 ohm' is not a quantity; expected a number and a unit such as '0.5 ohm'"),
        ("1,5 ohm", "ohm", "is not a quantity"),
        ("0x10", "1", "'0x10' has the unknown unit 'x10'"),
        (" 5 ohm", "ohm", "is not a quantity"),
        ("5 ohm\n", "ohm", "is not a quantity"),
        ("5  ohm", "ohm", "is not a quantity"),
        ("٣ ohm", "ohm", "is not a quantity"),
        ("5 Ohm", "ohm", "'5 Ohm' has the unknown unit 'Ohm'; expected one of ohm, mohm"),
        ("nan", "1", "is not a quantity"),
    ],
)
def test_a_wrong_quantity_of_a_file_says_what_it_is_and_what_was_expected(text, unit, message):
    with pytest.raises(QuantityError) as err:
        quantity(text, unit)
    assert message in str(err.value)


def test_an_unknown_unit_is_refused_by_name():
    for call in (lambda: quantity("1", "volt"), lambda: read_reading("1", "volt"), lambda: write(1, "volt")):
        with pytest.raises(QuantityError, match="unit 'volt' is unknown; expected one of ohm, V, A"):
            call()


def test_a_quantity_of_any_unit_tells_its_unit():
    assert any_quantity("0.02 V") == (0.02, "V")
    assert any_quantity("5 %") == (0.05, "1")
    assert any_quantity("2 min") == (2.0, "min")


@given(st.text())
def test_no_text_in_a_file_raises_anything_but_a_quantity_error(text):
    try:
        number, unit = any_quantity(text)
    except QuantityError:
        return
    assert math.isfinite(number) and unit in UNITS


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12.6", "V", 12.6),
        ("12,6 V", "V", 12.6),
        ("12.6V", "V", 12.6),
        ("12.6 volts", "V", 12.6),
        ("12.6 V DC", "V", 12.6),
        ("0,35", "V", 0.35),
        ("0,350", "V", 0.35),
        (",5", "V", 0.5),
        ("+12.4", "V", 12.4),
        ("-0.4", "V", -0.4),
        ("−0.4", "V", -0.4),  # the minus sign of Unicode
        ("– 0,4 V", "V", -0.4),
        ("350mV", "V", 0.35),
        ("350 millivolts", "V", 0.35),
        ("12V6", "V", 12.6),
        ("12v6", "V", 12.6),
        ("-0V4", "V", -0.4),
        ("470 mohm", "ohm", 0.47),
        ("470 mΩ", "ohm", 0.47),
        ("2.2 kΩ", "ohm", 2200.0),
        ("2.2 kOhm", "ohm", 2200.0),
        ("2.2k", "ohm", 2200.0),
        ("2.2 K", "ohm", 2200.0),
        ("2.2 Mohm", "ohm", 2.2e6),
        ("2.2 megohm", "ohm", 2.2e6),
        ("4k7", "ohm", 4700.0),
        ("4K7", "ohm", 4700.0),
        ("4R7", "ohm", 4.7),
        ("4Ω7", "ohm", 4.7),
        ("R47", "ohm", 0.47),
        ("1M5", "ohm", 1.5e6),
        ("4R7 ohm", "ohm", 4.7),
        ("50 µA", "A", 50e-6),
        ("1A5", "A", 1.5),
        ("85 milliamps", "A", 0.085),
        ("90", "/min", 90.0),
        ("90 per minute", "/min", 90.0),
        ("5 %", "%", 0.05),
        ("5", "%", 0.05),
        ("3", "1", 3.0),
        ("2.5 mm²", "mm2", 2.5),
        ("1300 rpm", "rpm", 1300.0),
        ("１２．６", "V", 12.6),  # full-width digits of an Asian keyboard
        ("12.6\u00a0V", "V", 12.6),  # a no-break space
    ],
)
def test_what_people_type_is_read_as_they_mean_it(text, unit, value):
    assert read_reading(text, unit) == Reading(value, text, unit, "")


@pytest.mark.parametrize(
    "text",
    ["OL", "ol", "O.L", "O.L.", "0L", "0.L", "1 .", "1   .", "over range", "overload", "OL Mohm", "open"],
)
def test_over_range_is_infinite_ohms(text):
    assert read_reading(text, "ohm") == Reading(math.inf, text, "ohm", "")


def test_over_range_of_another_unit_says_that_the_range_is_too_small():
    assert read_reading("OL", "V").value == math.inf
    assert "more than this range" in read_reading("OL V", "V").note


def test_open_is_a_reading_of_ohms_only():
    with pytest.raises(ObservationError, match="'open' is not understood; expected a voltage"):
        read_reading("open", "V")
    with pytest.raises(ObservationError, match="'OL ohm' is not understood; expected a voltage"):
        read_reading("OL ohm", "V")


@pytest.mark.parametrize("text", ["1", "1.", "+1"])
def test_a_lone_one_on_an_ohmmeter_is_doubted(text):
    reading = read_reading(text, "ohm")
    assert reading.value == 1.0
    assert "is it 1 ohm, or the 1 that the meter shows over range" in reading.note


@pytest.mark.parametrize(("text", "unit"), [("1.0", "ohm"), ("1 ohm", "ohm"), ("1", "V"), ("1k", "ohm")])
def test_a_one_that_cannot_be_an_overflow_is_not_doubted(text, unit):
    assert read_reading(text, unit).note == ""


def test_ohms_below_zero_are_doubted():
    assert "the part still carries a voltage" in read_reading("-0.3", "ohm").note


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        (
            "1,234",
            "V",
            "'1,234' could mean 1.234 or 1234; expected a voltage such as '12.6 V'; try",
        ),
        ("-1,234 V", "V", "try -1.234 or -1234"),
        ("1,234.5", "V", "one number, with one decimal point and no spaces inside"),
        ("1 2.6", "V", "one number, with one decimal point and no spaces inside"),
        ("12..6", "V", "one number"),
        ("12.6-12.8", "V", "one number"),
        ("2*6", "V", "one number"),
        ("1e5", "V", "try the number written out, without an exponent"),
        ("1.2E-3 V", "V", "without an exponent"),
        ("0x10", "V", "try only the number on the display"),
        ("~12.6", "V", "try only the number on the display"),
        ("<0.5", "V", "is not understood"),
        ("inf", "V", "is not understood"),
        ("nan", "V", "is not understood"),
        ("twelve", "V", "'twelve' is not understood; expected a voltage such as '12.6 V'"),
        ("4m7", "V", "is not understood"),
        ("12²", "V", "is not understood"),
        ("½", "V", "is not understood"),
        ("٣", "V", "is not understood"),
        ("", "V", "try 'skip' if there is nothing to read"),
        ("12.6 furlongs", "V", "try only the number on the display"),
        ("4k7 V", "ohm", "try the number without what follows it"),
        ("12.6 ohm", "V", "'12.6 ohm' is a resistance; expected a voltage such as '12.6 V'"),
        ("12V6", "ohm", "'12V6' is a voltage; expected a resistance such as '12.6 ohm'"),
        (
            "12 MV",
            "V",
            "'12 MV' is millions of V; expected a voltage such as '12 V'; try '12 mV'",
        ),
        ("9" * 41, "V", "try only the number on the display"),
        ("9999999999999", "V", "is not understood"),
        (12.6, "V", "'12.6' is not understood"),
    ],
)
def test_what_cannot_be_read_in_one_way_is_asked_back(text, unit, message):
    with pytest.raises(ObservationError) as err:
        read_reading(text, unit)
    assert message in str(err.value)


@settings(max_examples=300)
@given(st.text(max_size=60), st.sampled_from(sorted(UNITS)))
@example("1" * 5000, "V")
@example("\ud800", "V")
@example("1 .", "1")
@example("-", "V")
@example(".", "ohm")
@example("0" * 12 + "," + "0" * 9, "ohm")
def test_any_text_whatever_gives_a_reading_or_an_observation_error(text, unit):
    try:
        reading = read_reading(text, unit)
    except ObservationError as err:
        assert str(err)
        return
    assert isinstance(reading.value, float) and not math.isnan(reading.value)


@settings(max_examples=300)
@given(
    st.text(alphabet="0123456789.,+-−kKmMRVvAΩu ohmOL eE%x", max_size=9), st.sampled_from(["V", "A", "ohm"])
)
def test_text_close_to_a_reading_gives_a_reading_or_an_observation_error(text, unit):
    try:
        reading = read_reading(text, unit)
    except ObservationError:
        return
    digits = sum(c.isdigit() for c in text)
    assert reading.value == math.inf or digits > 0


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (12.31, "V", "12.31 V"),
        (0.35, "V", "350 mV"),
        (-0.4, "V", "-400 mV"),
        (0.0, "V", "0 V"),
        (-1e-9, "V", "0 V"),
        (7e-7, "A", "1 uA"),
        (0.47, "ohm", "470 mohm"),
        (4700.0, "ohm", "4.7 kohm"),
        (2.2e6, "ohm", "2.2 Mohm"),
        (1e7, "ohm", "10 Mohm"),
        (math.inf, "ohm", "OL"),
        (math.inf, "V", "OL"),
        (2.5, "mm2", "2.5 mm2"),
        (1300.0, "rpm", "1300 rpm"),
        (0.7, "min", "0.7 min"),
        (0.05, "%", "5 %"),
        (0.67, "1", "0.67"),
        (90.0, "/min", "90 /min"),
        (0.3, "m", "300 mm"),
    ],
)
def test_a_value_is_written_as_a_meter_shows_it(value, unit, text):
    assert write(value, unit) == text


@given(st.floats(1e-3, 9e8), st.booleans(), st.sampled_from(sorted(UNITS)))
@example(999.96, False, "V")
@example(999.94999, False, "ohm")
@example(99.996, False, "rpm")
@example(999960.0, False, "A")
@example(999.97e6, False, "ohm")
def test_what_is_written_reads_back_to_four_figures(value, negative, unit):
    value = -value if negative else value
    assert read_reading(write(value, unit), unit).value == pytest.approx(value, rel=5.1e-4)


@pytest.mark.parametrize("value", [math.nan, -math.inf, 1e12])
def test_a_value_no_display_can_show_is_refused(value):
    with pytest.raises(QuantityError, match="cannot be shown; expected a number below 1e12"):
        write(value, "V")


def test_every_unit_that_files_use_is_a_unit_of_the_program():
    assert len(WRITTEN) == 25
    assert {unit for unit, _ in WRITTEN.values()} <= set(UNITS)
