import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.sheets import units
from bench.sheets.units import format_quantity, read_accuracy, read_any, read_quantity

ALL = [value for value in vars(units).values() if isinstance(value, units.Quantity)]


@pytest.mark.parametrize(
    ("text", "wanted", "value"),
    [
        ("13.8 V", units.VOLTAGE, 13.8),
        ("500 ms", units.TIME, 0.5),
        ("4.7 kohm", units.RESISTANCE, 4700.0),
        ("20 milliohm", units.RESISTANCE, 0.020),
        ("0.05 %", units.FRACTION, 0.0005),
        ("50 ppm", units.FRACTION, 50e-6),
        ("3 %", units.PERCENT, 3.0),
        ("2.2 mF", units.CAPACITANCE, 2.2e-3),
        ("60 kt", units.AIRSPEED, 60.0),
        ("125 kbit/s", units.BIT_RATE, 125e3),
        ("5 V/s", units.VOLTAGE_RATE, 5.0),
        ("0.25 A/V", units.SHUNT_SCALE, 0.25),
        ("50 kS/s", units.SAMPLE_RATE, 50e3),
        ("-0.9 V", units.VOLTAGE, -0.9),
        ("13.8V", units.VOLTAGE, 13.8),
        ("4", units.COUNT, 4.0),
    ],
)
def test_text_with_a_unit_reads_as_si(text, wanted, value):
    assert read_quantity(text, wanted) == value


@pytest.mark.parametrize(
    ("found", "wanted", "message"),
    [
        ("13.8 A", units.VOLTAGE, 'found "13.8 A", wanted a voltage such as "13.8 V"'),
        ("500 Ms", units.TIME, 'found "500 Ms", wanted a time'),
        ("13,8 V", units.VOLTAGE, 'found "13,8 V", wanted a voltage'),
        (13.8, units.VOLTAGE, 'found 13.8, wanted a voltage such as "13.8 V"'),
        (True, units.VOLTAGE, "found true, wanted a voltage"),
        ("nan V", units.VOLTAGE, 'found "nan V"'),
        ("inf V", units.VOLTAGE, 'found "inf V"'),
        ("9" * 400 + " V", units.VOLTAGE, "wanted a voltage"),
        ("", units.CURRENT, 'found "", wanted a current'),
        ("1 v", units.VOLTAGE, 'found "1 v"'),
        ("\u0661 V", units.VOLTAGE, "wanted a voltage"),  # a digit, but not ours
    ],
)
def test_what_is_no_such_figure_is_refused_in_plain_words(found, wanted, message):
    with pytest.raises(ValueError) as refusal:
        read_quantity(found, wanted)
    assert message in str(refusal.value)


def test_a_figure_of_unknown_kind_brings_its_kind_along():
    assert read_any("2 mA", (units.VOLTAGE, units.CURRENT)) == (0.002, units.CURRENT)


def test_an_accuracy_is_a_part_of_the_reading_and_a_fixed_part():
    assert read_accuracy("0.05 % + 10 mV", units.VOLTAGE) == (0.0005, 0.010)


@pytest.mark.parametrize("found", ["0.05 %", "10 mV", "0.05 % + 10 mA", "-0.05 % + 10 mV", "1 % + 2 mV + 3 mV", 5])
def test_what_is_no_accuracy_is_refused(found):
    with pytest.raises(ValueError, match="wanted an accuracy such as"):
        read_accuracy(found, units.VOLTAGE)


@given(st.sampled_from(ALL), st.integers(-(10**9), 10**9).map(lambda value: value / 1e6))
def test_a_figure_written_out_reads_back(quantity, value):
    assert math.isclose(read_quantity(format_quantity(value, quantity), quantity), value, rel_tol=1e-11, abs_tol=1e-300)


@given(st.text(max_size=20), st.sampled_from(ALL))
def test_any_text_is_read_as_a_finite_number_or_refused(text, quantity):
    try:
        value = read_quantity(text, quantity)
    except ValueError as refusal:
        assert "wanted" in str(refusal)  # noqa: PT017  (either outcome is right; the message is what is checked)
    else:
        assert math.isfinite(value)


def test_every_example_in_a_message_is_itself_accepted():
    for quantity in ALL:
        assert math.isfinite(read_quantity(quantity.example, quantity)), quantity.name
