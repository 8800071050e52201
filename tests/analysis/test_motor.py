import math

import numpy as np
import pytest
from scipy.linalg import expm

from analysis.motor import ChannelErrors, Start, back_emf, motor_figures
from analysis.uncertainty import Source, Term, bounded

RATE_HZ = 20_000.0
R, L, K, J, B = 4.0, 2e-3, 0.02, 2e-6, 1e-6
A = K * K / J


def errors(name, gain=0.0, zero=0.0, noise=0.0):
    return ChannelErrors(
        gain=Term(source=Source(name=f"gain {name}", standard_uncertainty=gain / math.sqrt(3.0)), sensitivity=1.0),
        zero=Term(source=Source(name=f"zero {name}", standard_uncertainty=zero / math.sqrt(3.0)), sensitivity=1.0),
        noise=noise,
    )


EXACT = errors("v"), errors("i")
# the trim channels of the simulated bench
BENCH = errors("v", 0.0005, 0.010, 0.001), errors("i", 0.003, 0.003, 0.00015)


def answer(duration_s=0.06, late=0.5, source_v=13.8, series_ohm=0.2, resistance_ohm=R):
    """Voltage and current at the terminals, by the matrix exponential; the first sample comes `late` periods late."""
    matrix = np.array([[-(resistance_ohm + series_ohm) / L, -K / L], [K / J, -B / J]])
    final = -np.linalg.solve(matrix, np.array([source_v / L, 0.0]))
    step, state = expm(matrix / RATE_HZ), final - expm(matrix * (late / RATE_HZ)) @ final
    found = []
    for _ in range(round(duration_s * RATE_HZ)):
        found.append(state[0])
        state = final + step @ (state - final)
    current_a = np.array(found)
    return source_v - series_ohm * current_a, current_a, final


def start(voltage_v, current_a, final, series_ohm=0.2, source_v=13.8):
    running_a = final[0]
    return Start(
        voltage_v=voltage_v,
        current_a=current_a,
        sample_rate_hz=RATE_HZ,
        running_a=running_a,
        running_v=source_v - series_ohm * running_a,
    )


@pytest.mark.parametrize("late", [0.02, 0.3, 0.7, 0.98])
def test_a_start_of_known_figures_gives_them_back_wherever_it_falls_between_samples(late):
    figures = motor_figures(start(*answer(late=late)), *EXACT)
    assert figures.resistance_ohm.value == pytest.approx(R, rel=2e-5)
    assert figures.inductance_h.value == pytest.approx(L, rel=2e-5)
    assert figures.acceleration_v_per_a_s.value == pytest.approx(A, rel=2e-5)
    assert figures.electrical_s.value == pytest.approx(L / R, rel=2e-5)
    assert figures.mechanical_s(0.2).value == pytest.approx((R + 0.2) / A, rel=2e-5)
    assert figures.constant_v_s(bounded(J, 0.05 * J, "inertia")).value == pytest.approx(K, rel=2e-5)


def test_the_constants_uncertainty_is_half_of_the_inertias_and_half_of_the_accelerations():
    figures = motor_figures(start(*answer()), *EXACT)
    constant = figures.constant_v_s(bounded(J, 0.05 * J, "inertia"))
    # JCGM 100, 5.1.6: relative uncertainties of a product of powers, each times its exponent
    relative_a = figures.acceleration_v_per_a_s.standard_uncertainty / figures.acceleration_v_per_a_s.value
    expected = 0.5 * math.hypot(relative_a, 0.05 / math.sqrt(3.0))
    assert constant.standard_uncertainty / constant.value == pytest.approx(expected, rel=1e-6)


def test_channel_bounds_come_through_as_they_must():
    """A gain error of the current is one of 1 / R and of all figures alike; one of the voltage is theirs."""
    by_current = motor_figures(start(*answer()), errors("v"), errors("i", gain=0.003))
    by_voltage = motor_figures(start(*answer()), errors("v", gain=0.003), errors("i"))
    for figures in (by_current, by_voltage):
        for estimate in (figures.resistance_ohm, figures.inductance_h, figures.acceleration_v_per_a_s):
            gain = next(line for line in estimate.components if line.name.startswith("gain"))
            assert gain.contribution == pytest.approx(0.003 / math.sqrt(3.0) * estimate.value, rel=0.01)


def test_intervals_cover_the_truth_as_often_as_they_say():
    """Monte Carlo over gain, zero and noise of both channels, and where the drive begins between two samples."""
    generator = np.random.default_rng(7)
    runs, inside = 150, np.zeros(3)
    voltage, current = BENCH
    for _ in range(runs):
        volts, amps, final = answer(late=float(generator.uniform(0.02, 0.98)))
        gains, zeros = generator.uniform(-1.0, 1.0, 2), generator.uniform(-1.0, 1.0, 2)
        n = len(volts)
        running_v = 13.8 - 0.2 * final[0]
        of_v, of_i = (
            np.polynomial.Polynomial((0.010 * zeros[0], 1 + 0.0005 * gains[0])),
            np.polynomial.Polynomial((0.003 * zeros[1], 1 + 0.003 * gains[1])),
        )
        taken = Start(
            voltage_v=of_v(volts) + 0.001 * generator.standard_normal(n),
            current_a=of_i(amps) + 0.00015 * generator.standard_normal(n),
            sample_rate_hz=RATE_HZ,
            running_a=float(of_i(final[0])),
            running_v=float(of_v(running_v)),
        )
        figures = motor_figures(taken, voltage, current)
        for index, (estimate, truth) in enumerate(
            ((figures.resistance_ohm, R), (figures.inductance_h, L), (figures.acceleration_v_per_a_s, A))
        ):
            inside[index] += abs(estimate.value - truth) <= 2.0 * estimate.standard_uncertainty
    # bounds are taken as rectangular, so coverage at k = 2 lies at or above 95 %
    assert (inside / runs >= 0.93).all(), inside / runs


def test_noise_alone_scatters_as_much_as_the_fit_says():
    generator = np.random.default_rng(3)
    volts, amps, final = answer()
    noisy = errors("v", noise=0.02), errors("i", noise=0.003)
    found = []
    for _ in range(100):
        taken = start(
            volts + 0.02 * generator.standard_normal(len(volts)),
            amps + 0.003 * generator.standard_normal(len(amps)),
            final,
        )
        figures = motor_figures(taken, *noisy)
        found.append((figures.resistance_ohm, figures.inductance_h, figures.acceleration_v_per_a_s))
    for estimates in zip(*found, strict=True):
        said = [
            next(line.contribution for line in estimate.components if line.name == "noise of the fit")
            for estimate in estimates
        ]
        scatter = np.std([estimate.value for estimate in estimates], ddof=1)
        assert scatter == pytest.approx(np.mean(said), rel=0.3)


def test_a_motor_of_another_resistance_is_told_apart_and_the_others_stay():
    figures = motor_figures(start(*answer(resistance_ohm=8.0)), *BENCH)
    assert figures.resistance_ohm.value == pytest.approx(8.0, rel=2e-3)
    assert figures.acceleration_v_per_a_s.value == pytest.approx(A, rel=5e-3)


def test_two_starts_share_their_channels_and_not_their_noise():
    one, other = (
        motor_figures(
            Start(**{field: getattr(taken, field) for field in taken.__slots__ if field != "name"}, name=name), *BENCH
        )
        for taken, name in ((start(*answer()), "up"), (start(*answer(late=0.2)), "down"))
    )
    names = [{term.source.name for term in figures.resistance_ohm.terms} for figures in (one, other)]
    assert names[0] & names[1] == {"gain v", "zero v", "gain i", "zero i"}


def test_the_back_emf_of_a_known_motor_is_its_speed():
    volts, amps, final = answer()
    figures = motor_figures(start(volts, amps, final), *EXACT)
    emf = back_emf(volts, amps, RATE_HZ, figures)
    assert emf[-1] == pytest.approx(K * final[1], rel=0.06)  # 95 % of its speed after three time constants
    assert emf[20:] == pytest.approx(np.maximum.accumulate(emf[20:]), abs=0.02)


@pytest.mark.parametrize(
    ("volts", "amps"),
    [(np.ones(10), np.ones(10)), (np.ones(100), np.zeros(100)), (np.full(100, 13.8), np.ones(99))],
    ids=["too few", "no current", "unequal"],
)
def test_what_can_not_be_told_is_refused(volts, amps):
    with pytest.raises(ValueError, match="motor: "):
        motor_figures(start(volts, amps, (0.03, 600.0)), *EXACT)
