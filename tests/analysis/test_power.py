"""Consistency of the bench's figures, current limiting, and who is to blame."""

import math

import numpy as np
import pytest

from analysis.measurement import Doubt
from analysis.power import (
    branch_agrees,
    consistency_doubts,
    is_steady,
    lead_resistance,
    leads_agree,
    legs_agree,
    limiting_doubt,
    limiting_samples,
    readback_agrees,
    slope_v_per_s,
)
from analysis.uncertainty import Estimate, bounded, exact
from analysis.verdict import Cause


def volts(value, name="v"):
    return bounded(value, 0.0005 * abs(value) + 0.010, name)


def amps(value, name="i"):
    return bounded(value, 0.005 * abs(value) + 0.030, name)


def test_lead_resistance_of_the_bench_at_ten_amperes():
    # 12 + 6 milliohm; 14.0 V at the supply, 10 A into 1.4 ohm
    leads = lead_resistance(volts(14.180, "supply"), volts(14.000, "pins"), amps(10.0))
    assert leads.value == pytest.approx(0.018)
    bound = (0.0005 * 14.18 + 0.010, 0.0005 * 14.0 + 0.010, (0.005 * 10.0 + 0.030) * 0.018)
    assert leads.standard_uncertainty == pytest.approx(math.hypot(*bound) / math.sqrt(3.0) / 10.0, rel=1e-6)


@pytest.mark.parametrize(("pins", "agrees"), [(13.82, True), (13.85, True), (13.62, False), (14.0, False)])
def test_volts_at_the_supply_less_lead_drop_must_meet_the_pins(pins, agrees):
    leads = bounded(0.018, 0.0005, "leads")
    assert leads_agree(volts(14.0, "supply"), volts(pins, "pins"), amps(10.0), leads).agrees is agrees


@pytest.mark.parametrize(("residue_u", "agrees"), [(2.9, True), (-2.9, True), (3.1, False), (-3.1, False)])
def test_a_residue_up_to_three_u_agrees(residue_u, agrees):
    u = math.sqrt(2.0) * 0.06 / math.sqrt(3.0)
    check = readback_agrees(bounded(1.0 + residue_u * u, 0.06, "read-back"), bounded(1.0, 0.06, "shunt"))
    assert check.agrees is agrees
    assert check.residue.standard_uncertainty == pytest.approx(u)
    assert len(consistency_doubts([check])) == (0 if agrees else 1)


def test_legs_agree_once_direct_returns_are_counted():
    positive, negative, direct = amps(5.0, "plus"), amps(3.5, "minus"), amps(1.5, "motor return")
    assert legs_agree(positive, negative, [direct]).agrees is True
    check = legs_agree(positive, negative)
    assert check.agrees is False
    (doubt,) = consistency_doubts([check])
    assert doubt.cause is Cause.BENCH
    assert "positive leg against negative leg" in doubt.reason


def test_a_branch_must_draw_what_its_load_says():
    load = bounded(9.0, 0.009, "load")
    assert branch_agrees(bounded(1.5, 0.0075, "i"), volts(13.5), load).agrees is True
    assert branch_agrees(bounded(1.4, 0.0072, "i"), volts(13.5), load).agrees is False


def test_what_cannot_be_checked_is_neither_agreement_nor_contradiction():
    doubtful = Estimate(value=1.0, doubts=(Doubt(reason="clipped", cause=Cause.BENCH),))
    for check in (readback_agrees(doubtful, exact(1.0)), branch_agrees(exact(1.0), exact(1.0), exact(0.0))):
        assert check.agrees is None
        assert consistency_doubts([check]) == ()


def test_a_window_is_steady_below_a_tenth_of_a_volt_per_second():
    t = np.arange(2000) / 1000.0
    noise = 0.01 * np.random.default_rng(1).standard_normal(2000)
    assert slope_v_per_s(13.8 - 0.5 * t, 1000.0) == pytest.approx(-0.5)
    assert not is_steady(9.5 - 0.5 * t + noise, 1000.0)
    assert is_steady(13.8 + 0.05 * t + noise, 1000.0)
    assert not is_steady(np.array([13.8]), 1000.0)  # one sample shows no slope


def test_limiting_needs_current_at_the_limit_and_voltage_below_what_was_set():
    current = np.array([0.2, 0.49, 0.49, 0.484, 0.6])
    supply = np.array([13.8, 13.8, 9.0, 9.0, 9.0])
    found = limiting_samples(current, supply, limit_a=0.5, set_v=13.8, tolerance_v=0.05)
    assert found.tolist() == [2, 4]


@pytest.mark.parametrize(
    ("limit_a", "isolated", "cause"),
    [
        (0.25, None, Cause.BENCH),  # below 1.3 x 0.21 A
        (0.25, True, Cause.BENCH),
        (0.50, None, Cause.UNDECIDED),
        (0.50, True, Cause.UNIT),
        (0.50, False, Cause.BENCH),
    ],
)
def test_a_reached_limit_is_put_down_to_whom_isolation_proves(limit_a, isolated, cause):
    doubt = limiting_doubt(limit_a=limit_a, conforming_a=0.21, gone_when_isolated=isolated)
    assert doubt.cause is cause
    assert bool(doubt.next_step) is (cause is not Cause.UNIT)
