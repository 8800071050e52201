"""Decision rules against JCGM 106:2012 and ILAC-G8:09/2019, risks by numeric integration over our own functions."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import gamma, ndtr, ndtri

from analysis.conformity import Zone, conformity_probability, margin, margin_percent, simple_acceptance, three_zone
from analysis.finding import Limit

INF = math.inf


@pytest.mark.parametrize(
    ("p", "z"), [(0.80, 0.84162), (0.90, 1.28155), (0.95, 1.64485), (0.99, 2.32635), (0.999, 3.09023)]
)
def test_conformity_probability_of_table_1(p, z):
    # JCGM 106:2012, Table 1: p_c = Phi((T_U - y) / u)
    assert conformity_probability(10.0 - z * 0.3, 0.3, INF, -INF, 10.0) == pytest.approx(p, abs=2e-6)
    assert conformity_probability(2.0 + z * 0.3, 0.3, INF, 2.0, INF) == pytest.approx(p, abs=2e-6)


def normal(x, mean, sd):
    return math.exp(-0.5 * ((x - mean) / sd) ** 2) / sd / math.sqrt(2.0 * math.pi)


def risks(prior, tolerance, acceptance, u, support):
    """Global consumer's and producer's risk: a true value eta is read within the acceptance interval or not.

    The chance of reading eta + N(0, u) inside an interval is our `conformity_probability` with places exchanged.
    """
    (low, high), (accept_low, accept_high), (lowest, highest) = tolerance, acceptance, support
    points = [x for x in (low, high, accept_low, accept_high) if lowest < x < highest]

    def accepted(eta):
        return conformity_probability(eta, u, INF, accept_low, accept_high)

    def wrongly_accepted(eta):
        return 0.0 if low <= eta <= high else prior(eta) * accepted(eta)

    def wrongly_rejected(eta):
        return prior(eta) * (1.0 - accepted(eta)) if low <= eta <= high else 0.0

    consumer = quad(wrongly_accepted, lowest, highest, points=points, limit=200)[0]
    producer = quad(wrongly_rejected, lowest, highest, points=points, limit=200)[0]
    return consumer, producer


def test_resistor_example_with_simple_acceptance_and_with_a_guard_band():
    # JCGM 106:2012, 9.5.3: 1500 ohm +/- 0.2 ohm, production 0.12 ohm, measurement 0.04 ohm
    def prior(x):
        return normal(x, 1500.0, 0.12)

    assert conformity_probability(1500.0, 0.12, INF, 1499.8, 1500.2) == pytest.approx(0.9044193, abs=1e-6)
    simple = risks(prior, (1499.8, 1500.2), (1499.8, 1500.2), 0.04, (1499.0, 1501.0))
    assert simple == pytest.approx((0.0189422, 0.0372078), abs=1e-6)
    guarded = risks(prior, (1499.8, 1500.2), (1499.82, 1500.18), 0.04, (1499.0, 1501.0))
    assert guarded == pytest.approx((0.0098783, 0.0690265), abs=1e-6)


def test_bearing_example_with_a_skewed_prior():
    # JCGM 106:2012, 9.5.4: radial error motion, limit 2 um, gamma prior of shape 4 and rate 4, measurement 0.25 um
    def prior(x):
        return 4.0**4 * x**3 * math.exp(-4.0 * x) / gamma(4.0)

    assert quad(prior, 2.0, 20.0)[0] == pytest.approx(0.0423801, abs=1e-6)
    assert risks(prior, (-INF, 2.0), (-INF, 2.0), 0.25, (0.0, 8.0)) == pytest.approx((0.0080191, 0.0174446), abs=1e-6)
    guarded = risks(prior, (-INF, 2.0), (-INF, 1.6718288), 0.25, (0.0, 8.0))
    assert guarded == pytest.approx((0.001, 0.0754939), abs=1e-6)


@pytest.mark.parametrize(
    ("amps", "zone"),
    [
        (29.3, Zone.INSIDE),
        (29.4, Zone.INSIDE),
        (29.7, Zone.BETWEEN),
        (30.3, Zone.BETWEEN),
        (30.6, Zone.BETWEEN),
        (30.7, Zone.OUTSIDE),
    ],
)
def test_the_zones_of_ilac_g8_with_both_conditional_results_merged(amps, zone):
    # ILAC-G8:09/2019, non-binary rule: 30.0 A upper limit, U = 0.6 A
    assert three_zone(amps, 30.0 - 29.4, -INF, 30.0) is zone


def test_a_pass_at_the_guard_band_is_wrong_in_less_than_two_and_a_half_per_cent():
    # ILAC-G8:09/2019: w = U gives a specific risk below 2.5 %; Phi(-2) = 2.275 %
    assert 1.0 - conformity_probability(29.4, 0.3, INF, -INF, 30.0) == pytest.approx(ndtr(-2.0), rel=1e-9)


def test_students_t_is_wider_than_the_normal():
    normal_tail = 1.0 - conformity_probability(9.0, 0.5, INF, -INF, 10.0)
    t_tail = 1.0 - conformity_probability(9.0, 0.5, 4.0, -INF, 10.0)
    # Student's t with 4 degrees of freedom in closed form: F = 1/2 + 3/8 x (1 - x^2 / 12), x = t / sqrt(1 + t^2 / 4)
    x = 2.0 / math.sqrt(2.0)
    assert t_tail == pytest.approx(0.5 - 0.375 * x * (1.0 - x**2 / 12.0), abs=1e-12)
    assert t_tail > 2.0 * normal_tail


def test_small_probabilities_keep_their_digits_in_either_tail():
    above = conformity_probability(20.0, 1.0, INF, 0.0, 10.0)
    below = conformity_probability(-10.0, 1.0, INF, 0.0, 10.0)
    assert above == pytest.approx(ndtr(-10.0), rel=1e-9, abs=0.0)
    assert below == pytest.approx(above, rel=1e-9, abs=0.0)


def test_without_uncertainty_conformity_is_certain():
    assert conformity_probability(10.0, 0.0, INF, 0.0, 10.0) == 1.0
    assert conformity_probability(10.1, 0.0, INF, 0.0, 10.0) == 0.0
    assert math.isnan(conformity_probability(math.nan, 0.1, INF, 0.0, 10.0))
    assert math.isnan(conformity_probability(1.0, math.nan, INF, 0.0, 10.0))


values = st.floats(-20.0, 20.0)
widenings = st.tuples(st.floats(0.0, 5.0), st.floats(0.0, 5.0))


@given(values, st.floats(0.0, 5.0), st.floats(-10.0, 0.0), st.floats(0.5, 10.0), widenings)
def test_widening_limits_never_turns_a_pass_into_anything_else(value, expanded, low, high, more):
    before = three_zone(value, expanded, low, high)
    after = three_zone(value, expanded, low - more[0], high + more[1])
    order = (Zone.OUTSIDE, Zone.BETWEEN, Zone.INSIDE)
    assert order.index(after) >= order.index(before)


@given(values, st.floats(0.0, 5.0), st.floats(0.0, 5.0), st.floats(-10.0, 0.0), st.floats(0.5, 10.0))
def test_more_uncertainty_never_makes_a_decision(value, expanded, more, low, high):
    if three_zone(value, expanded, low, high) is Zone.BETWEEN:
        assert three_zone(value, expanded + more, low, high) is Zone.BETWEEN


@given(st.sampled_from([math.nan, INF, -INF]), st.floats(0.0, 5.0))
def test_what_is_not_finite_is_never_inside_nor_outside(value, expanded):
    assert three_zone(value, expanded, -1.0, 1.0) is Zone.BETWEEN
    assert three_zone(0.0, value, -1.0, 1.0) is Zone.BETWEEN
    assert simple_acceptance(value, -1.0, INF) is Zone.BETWEEN


def limit(low, high):
    return Limit(id="x", quantity_unit="V", source="demo", date="2025-01-01", low=low, high=high)


def test_margin_is_the_distance_to_the_nearer_limit():
    assert margin(0.31, limit(-INF, 0.60)) == pytest.approx(0.29)
    assert margin(4.4, limit(4.2, 4.8)) == pytest.approx(0.2)
    assert margin(5.0, limit(4.2, 4.8)) == pytest.approx(-0.2)
    assert math.isnan(margin(math.nan, limit(0.0, 1.0)))
    assert math.isnan(margin(INF, limit(0.0, INF)))


def test_margin_per_cent_is_of_the_limit_or_of_half_the_interval():
    assert margin_percent(0.31, limit(-INF, 0.60)) == pytest.approx(100 * 0.29 / 0.60)
    assert margin_percent(4.4, limit(4.2, 4.8)) == pytest.approx(100 * 0.2 / 0.3)
    assert margin_percent(0.4, limit(0.3, INF)) == pytest.approx(100 * 0.1 / 0.3)
    assert math.isnan(margin_percent(0.4, limit(0.0, INF)))


def test_the_three_zone_rule_passes_and_fails_bad_readings_at_most_at_its_stated_risk():
    # a unit exactly at its limit, read 200 000 times with U = 2 u: at most 2.275 % pass and 2.275 % fail
    u = 0.3
    readings = 30.0 + u * np.asarray(ndtri((np.arange(200_000) + 0.5) / 200_000))
    zones = [three_zone(float(x), 2.0 * u, -INF, 30.0) for x in readings[::20]]
    assert zones.count(Zone.INSIDE) / len(zones) == pytest.approx(0.02275, abs=5e-4)
    assert zones.count(Zone.OUTSIDE) / len(zones) == pytest.approx(0.02275, abs=5e-4)
