"""The budget against the GUM's worked examples, with GTC as second opinion, and against closed forms."""

import math

import GTC
import pytest

from analysis.measurement import Component, Doubt
from analysis.uncertainty import (
    COVERAGE,
    Estimate,
    Pooling,
    Source,
    Term,
    bounded,
    combined,
    coverage_factor,
    difference,
    effective_degrees_of_freedom,
    exact,
    product,
    ratio,
    repeated,
    resolved,
    scaled,
    simultaneous,
    total,
)
from analysis.verdict import Cause

VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)  # JCGM 100:2008, H.2, raw data
AMPS = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
RADIANS = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def known(value, u, degrees_of_freedom, name):
    source = Source(name=name, standard_uncertainty=u, degrees_of_freedom=degrees_of_freedom)
    return Estimate(value=value, terms=(Term(source=source, sensitivity=1.0),))


def end_gauge():
    """JCGM 100:2008, H.1: length of an end gauge in nm, by comparison."""
    root3 = math.sqrt(3.0)
    standard = known(50_000_623.0, 25.0, 18, "standard")
    comparison = total(
        known(215.0, 5.8, 24, "repeats"), known(0.0, 3.9, 5, "comparator, random"), known(0.0, 6.7, 8, "comparator")
    )
    expansion = known(11.5e-6, 2e-6 / root3, math.inf, "expansion")
    expansion_difference = known(0.0, 1e-6 / root3, 50, "difference of expansion")
    temperature_difference = known(0.0, 0.05 / root3, 2, "difference of temperature")
    temperature = total(known(-0.1, 0.2, math.inf, "temperature"), known(0.0, 0.5 / math.sqrt(2.0), math.inf, "cycle"))
    growth = total(product(expansion_difference, temperature), product(expansion, temperature_difference))
    return total(standard, comparison, scaled(product(standard, growth), -1.0)), comparison


def test_gum_h1_end_gauge():
    length, comparison = end_gauge()
    assert length.value == pytest.approx(50_000_838.0, abs=0.5)
    assert comparison.standard_uncertainty == pytest.approx(9.682, abs=1e-3)
    assert comparison.degrees_of_freedom == pytest.approx(25.45, abs=0.01)
    lines = {line.name: line.contribution for line in length.components}
    assert lines["standard"] == pytest.approx(25.0, abs=5e-3)
    assert lines["difference of temperature"] == pytest.approx(16.599, abs=5e-3)
    assert lines["difference of expansion"] == pytest.approx(2.88679, abs=5e-3)
    assert lines["expansion"] == 0.0
    assert length.standard_uncertainty == pytest.approx(31.6639, abs=1e-3)
    assert length.degrees_of_freedom == pytest.approx(16.7519, abs=1e-3)
    expanded = coverage_factor(length.degrees_of_freedom, 0.99) * length.standard_uncertainty
    assert expanded == pytest.approx(91.94, abs=0.02)  # unrounded; the print rounds on the way


def test_gum_h1_agrees_with_gtc():
    root3 = math.sqrt(3.0)
    standard = GTC.ureal(50_000_623.0, 25.0, 18)
    comparison = GTC.ureal(215.0, 5.8, 24) + GTC.ureal(0.0, 3.9, 5) + GTC.ureal(0.0, 6.7, 8)
    temperature = GTC.ureal(-0.1, 0.2) + GTC.ureal(0.0, 0.5 / math.sqrt(2.0))
    growth = GTC.ureal(0.0, 1e-6 / root3, 50) * temperature
    growth = growth + GTC.ureal(11.5e-6, 2e-6 / root3) * GTC.ureal(0.0, 0.05 / root3, 2)
    theirs = standard + comparison - standard * growth
    ours, _ = end_gauge()
    assert ours.value == pytest.approx(GTC.value(theirs), abs=1e-6)
    assert ours.standard_uncertainty == pytest.approx(GTC.uncertainty(theirs), rel=1e-12)
    assert ours.degrees_of_freedom == pytest.approx(GTC.dof(theirs), rel=1e-12)
    assert coverage_factor(ours.degrees_of_freedom, 0.99) == pytest.approx(GTC.reporting.k_factor(GTC.dof(theirs), 99))


def impedance():
    """JCGM 100:2008, H.2: resistance, reactance and impedance from simultaneous V, I and phase."""
    observed = simultaneous({"V": VOLTS, "I": AMPS, "phase": RADIANS}, "sets")
    volts, amps, phase = observed["V"], observed["I"], observed["phase"]
    modulus = ratio(volts, amps)
    cosine = combined(math.cos(phase.value), ((phase, -math.sin(phase.value)),))
    sine = combined(math.sin(phase.value), ((phase, math.cos(phase.value)),))
    return observed, {"R": product(modulus, cosine), "X": product(modulus, sine), "Z": modulus}


def correlation(a, b):
    return (total(a, b).standard_uncertainty ** 2 - difference(a, b).standard_uncertainty ** 2) / (
        4.0 * a.standard_uncertainty * b.standard_uncertainty
    )


def test_gum_h2_impedance_from_raw_data():
    observed, results = impedance()
    means = {"V": (4.9990, 0.0032094), "I": (19.6610e-3, 0.0094710e-3), "phase": (1.04446, 0.00075206)}
    for name, (value, u) in means.items():
        assert observed[name].value == pytest.approx(value, rel=1e-6)
        assert observed[name].standard_uncertainty == pytest.approx(u, rel=1e-4)
    assert correlation(observed["V"], observed["I"]) == pytest.approx(-0.3553, abs=1e-4)
    assert correlation(observed["V"], observed["phase"]) == pytest.approx(0.8576, abs=1e-4)
    assert correlation(observed["I"], observed["phase"]) == pytest.approx(-0.6451, abs=1e-4)
    expected = {"R": (127.732170, 0.0710714), "X": (219.846512, 0.2955817), "Z": (254.259702, 0.2363361)}
    for name, (value, u) in expected.items():
        assert results[name].value == pytest.approx(value, abs=1e-6)
        assert results[name].standard_uncertainty == pytest.approx(u, abs=1e-7)
        assert results[name].degrees_of_freedom == pytest.approx(4.0)
    assert correlation(results["R"], results["X"]) == pytest.approx(-0.58843, abs=1e-5)
    assert correlation(results["R"], results["Z"]) == pytest.approx(-0.48526, abs=1e-5)
    assert correlation(results["X"], results["Z"]) == pytest.approx(0.99251, abs=1e-5)


def test_gum_h2_agrees_with_gtc():
    volts, amps, phase = GTC.type_a.multi_estimate_real((VOLTS, AMPS, RADIANS))
    theirs = volts / amps * GTC.cos(phase)
    ours = impedance()[1]["R"]
    assert ours.value == pytest.approx(GTC.value(theirs), rel=1e-12)
    assert ours.standard_uncertainty == pytest.approx(GTC.uncertainty(theirs), rel=1e-9)
    assert ours.degrees_of_freedom == pytest.approx(GTC.dof(theirs), rel=1e-9)


def test_welch_satterthwaite_of_the_gum_example():
    # JCGM 100:2008, G.4.1: 0.25, 0.57 and 0.82 % from 10, 5 and 15 repeats; 19.0 with the sum rounded to 1.03 %
    lines = [
        Component(name=name, contribution=u, degrees_of_freedom=nu)
        for name, u, nu in (("a", 0.25, 9), ("b", 0.57, 4), ("c", 0.82, 14))
    ]
    assert math.hypot(*(line.contribution for line in lines)) == pytest.approx(1.02947, abs=1e-5)
    exactly = (0.25**2 + 0.57**2 + 0.82**2) ** 2 / (0.25**4 / 9 + 0.57**4 / 4 + 0.82**4 / 14)
    assert effective_degrees_of_freedom(lines) == pytest.approx(exactly)
    assert exactly * (1.03 / 1.02947) ** 4 == pytest.approx(19.04, abs=0.01)
    tiny = [Component(name="a", contribution=1e-90, degrees_of_freedom=3)]
    assert effective_degrees_of_freedom(tiny) == pytest.approx(3.0)


def test_degrees_of_freedom_without_any_scatter_are_infinite():
    assert effective_degrees_of_freedom([]) == math.inf
    assert bounded(1.0, 0.1, "bound").degrees_of_freedom == math.inf
    assert exact(3.0).standard_uncertainty == 0.0


def test_coverage_factor_is_two_for_infinite_degrees_and_students_t_below():
    assert coverage_factor(math.inf) == pytest.approx(2.0, abs=1e-12)
    # JCGM 100:2008, table G.2, column 95.45 %
    for nu, k in ((1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)):
        assert coverage_factor(nu) == pytest.approx(k, abs=0.005)
    assert pytest.approx(0.9545, abs=1e-6) == COVERAGE
    assert math.isnan(coverage_factor(math.nan))


def channel_reading(value, noise_name, relative=0.0005, absolute=0.010):
    terms = [
        Term(
            source=Source(
                name=f"{part} of ai0", standard_uncertainty=u / math.sqrt(3.0), group="ai0", pooling=Pooling.LINEAR
            ),
            sensitivity=sensitivity,
        )
        for part, u, sensitivity in (("gain", relative, value), ("offset", absolute, 1.0))
    ]
    noise = Term(source=Source(name=noise_name, standard_uncertainty=1e-3, degrees_of_freedom=9), sensitivity=1.0)
    return Estimate(value=value, terms=(*terms, noise))


def test_one_reading_has_the_instrument_bound_over_root_three():
    reading = channel_reading(12.0, "first")
    bound = (0.0005 * 12.0 + 0.010) / math.sqrt(3.0)
    assert reading.standard_uncertainty == pytest.approx(math.hypot(bound, 1e-3))


def test_a_difference_on_one_channel_keeps_only_the_gain_of_the_difference():
    span = difference(channel_reading(2.6, "first"), channel_reading(1.6, "second"))
    assert span.standard_uncertainty == pytest.approx(math.hypot(0.0005 / math.sqrt(3.0), 1e-3, 1e-3))


def test_a_ratio_on_one_channel_loses_the_gain():
    quotient = ratio(channel_reading(8.0, "first", absolute=0.0), channel_reading(4.0, "second", absolute=0.0))
    assert quotient.standard_uncertainty == pytest.approx(math.hypot(1e-3 / 4.0, 2.0 * 1e-3 / 4.0))


def test_a_ratio_to_zero_is_no_number():
    assert math.isnan(ratio(exact(1.0), exact(0.0)).value)


def test_repeats_scatter_with_n_minus_one_degrees_of_freedom():
    mean = repeated([1.0, 2.0, 3.0, 4.0], "repeats")
    assert mean.value == 2.5
    assert mean.standard_uncertainty == pytest.approx(math.sqrt(5.0 / 3.0 / 4.0))
    assert mean.degrees_of_freedom == pytest.approx(3.0)


def test_repeats_that_agree_exactly_have_no_scatter():
    assert repeated([2.0, 2.0, 2.0], "repeats").standard_uncertainty == 0.0


@pytest.mark.parametrize("sets", [{"a": [1.0]}, {"a": [1.0, 2.0], "b": [1.0, 2.0, 3.0]}])
def test_too_few_or_unequal_observations_are_refused(sets):
    with pytest.raises(ValueError, match="equally many observations"):
        simultaneous(sets, "repeats")


def test_a_staircase_step_is_known_to_step_over_root_twelve():
    # release threshold from 100 mV steps: u = 0.1 V / sqrt(12)
    assert resolved(8.8, 0.1, "steps").standard_uncertainty == pytest.approx(0.1 / math.sqrt(12.0))


@pytest.mark.parametrize(("u", "nu"), [(-1.0, math.inf), (1.0, 0.5)])
def test_impossible_sources_are_refused(u, nu):
    with pytest.raises(ValueError, match="are not possible"):
        Source(name="x", standard_uncertainty=u, degrees_of_freedom=nu)


def test_doubts_and_captures_travel_with_every_operation():
    doubt = Doubt(reason="clipped", cause=Cause.BENCH)
    doubtful = Estimate(value=1.0, doubts=(doubt,), captures=("first",))
    sound = Estimate(value=2.0, captures=("second",))
    for result in (
        total(doubtful, sound),
        difference(sound, doubtful),
        product(doubtful, sound),
        ratio(sound, doubtful),
    ):
        assert result.doubts == (doubt,)
        assert set(result.captures) == {"first", "second"}
    assert total(doubtful, doubtful).doubts == (doubt,)


def test_a_measurement_carries_value_budget_and_doubts():
    added = Doubt(reason="sister differs", cause=Cause.UNDECIDED)
    measurement = channel_reading(12.0, "first").measurement(
        id="a", limit="b", title="c", function="d", quantity_unit="V", doubts=(added,), trials=59
    )
    assert measurement.value == 12.0
    assert measurement.components[0].name == "ai0"
    assert math.hypot(*(line.contribution for line in measurement.components)) == measurement.standard_uncertainty
    assert (measurement.doubts, measurement.trials) == ((added,), 59)
