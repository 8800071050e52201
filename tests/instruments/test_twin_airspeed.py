"""The twin's airspeed by text, voltage and contact: what it takes, what it refuses, and when it gives it up."""

from dataclasses import replace

import pytest
from plant_world import SECOND, dotterel_twin

from instruments.simulated.agenda import Agenda
from instruments.simulated.airspeed_input import TextReceiver, airspeed_at, airspeed_by_contact
from instruments.simulated.parameters import AirspeedInput, TextLineParameters
from instruments.simulated.text_line import TextLine
from instruments.simulated.trim_logic import AirspeedDuty
from instruments.simulated.twin_defaults import twin_quantities

TEXT = AirspeedInput(route="text", sentence="IIASP,{speed},{unit}", lost_s=3.0)


def framed(body, check=None):
    value = 0
    for octet in body:
        value ^= octet
    return b"$" + body + b"*" + (f"{value:02X}".encode() if check is None else check) + b"\r\n"


def receiver(parameters=TEXT, **faults):
    defaults = twin_quantities(replace(dotterel_twin(), airspeed=parameters))
    return TextReceiver(parameters, defaults | {f"unit.{name}": value for name, value in faults.items()})


def test_a_sentence_in_good_order_is_an_airspeed_however_it_comes_in_pieces():
    sentence = framed(b"IIASP,62.5,N")
    unit = receiver()
    assert unit.take(sentence[:5]) == []
    assert unit.take(sentence[5:] + sentence) == [62.5, 62.5]


@pytest.mark.parametrize(
    "said",
    [
        framed(b"IIASP,62.5,N", b"00"),
        framed(b"IIASP,62.5,N")[:-5] + b"\r\n",
        framed(b"IIASP,62.5,K"),
        framed(b"IIASP,62.5,X"),
        framed(b"IIASP,,N"),
        framed(b"IIASP,nan,N"),
        framed(b"IIASP,sixty,N"),
        framed(b"IIVHW,62.5,N"),
        framed(b"IIASP,62.5,N,1"),
        b"\xff\xfe\r\n",
    ],
)
def test_anything_else_is_no_airspeed(said):
    assert receiver().take(said) == []


def test_faults_take_what_a_good_unit_refuses():
    assert receiver(airspeed_unchecked=1.0).take(framed(b"IIASP,62.5,N", b"00")) == [62.5]
    assert receiver(airspeed_unchecked=1.0).take(framed(b"IIASP,62.5,N")[:-5] + b"\r\n") == [62.5]
    assert receiver(airspeed_any_unit=1.0).take(framed(b"IIASP,111.1,K")) == [111.1]


def test_a_unit_that_converts_takes_every_unit_of_speed():
    converting = replace(TEXT, converts_units=True)
    assert receiver(converting).take(framed(b"IIASP,185.2,K")) == pytest.approx([100.0])
    assert receiver(converting).take(framed(b"IIASP,30.8667,M")) == pytest.approx([60.0], abs=1e-3)
    assert receiver(replace(TEXT, speed_unit="km/h")).take(framed(b"IIASP,185.2,K")) == pytest.approx([100.0])


def test_a_voltage_means_an_airspeed_between_its_points_and_none_below():
    analogue = AirspeedInput(route="analogue", low_kt=0.0, low_v=0.5, high_kt=200.0, high_v=4.5, lost_below_v=0.25)
    assert airspeed_at(analogue, 2.5) == pytest.approx(100.0)
    assert airspeed_at(analogue, 0.5) == pytest.approx(0.0)
    assert airspeed_at(analogue, 0.2) is None


def test_a_contact_stands_for_an_airspeed_beyond_the_schedule():
    for closed_when_fast in (True, False):
        contact = AirspeedInput(route="switch", closed_when_fast=closed_when_fast)
        assert airspeed_by_contact(contact, closed_when_fast) > 1e6
        assert airspeed_by_contact(contact, not closed_when_fast) < -1e6


def duty(**changed):
    return AirspeedDuty(**({"full_kt": 70.0, "slow_kt": 140.0, "slow_duty": 0.45, "lost_s": 3.0} | changed))


def test_what_is_not_believed_changes_nothing_until_airspeed_is_lost():
    trim = duty(believed_kt=(0.0, 400.0))
    trim.receive(60.0, 0)
    for absurd_kt in (-20.0, 500.0):
        trim.receive(absurd_kt, SECOND)
    assert trim.duty(2 * SECOND) == 1.0
    assert trim.duty(3 * SECOND) == 0.45


def test_an_airspeed_that_stays_the_same_is_given_up_where_the_sheet_says_so():
    trim = duty(frozen_s=5.0)
    for second in range(8):
        trim.receive(60.0, second * SECOND)
    assert (trim.duty(4 * SECOND), trim.duty(5 * SECOND)) == (1.0, 0.45)
    trim.receive(61.0, 8 * SECOND)
    assert trim.duty(9 * SECOND) == 1.0


def test_what_stands_at_a_pin_is_not_lost_before_it_goes():
    trim = duty()
    trim.stand(60.0, 0)
    assert (trim.duty(100 * SECOND), trim.lost_at_ns()) == (1.0, None)
    trim.stand(None, 100 * SECOND)
    assert (trim.duty(102 * SECOND), trim.duty(103 * SECOND)) == (1.0, 0.45)


@pytest.mark.parametrize(("factor", "heard"), [(1.0, True), (1.02, True), (0.96, False), (0.5, False)])
def test_a_line_is_heard_at_its_own_bit_rate(factor, heard):
    agenda = Agenda()
    line = TextLine(agenda, TextLineParameters(rate_factor=factor), 4800)
    texts = []
    line.on_text = texts.append
    line.send(b"abc", 4800)
    agenda.run_until(SECOND)
    assert texts == ([b"abc"] if heard else [])


def test_a_dead_line_is_silent():
    agenda = Agenda()
    line = TextLine(agenda, TextLineParameters(dead=True), 4800)
    line.on_text = pytest.fail
    line.send(b"abc", 4800)
    agenda.run_until(SECOND)
