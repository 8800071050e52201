"""The hold-up converter's loop against its differential equations as scipy integrates them, and what must hold."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from instruments.simulated.regulator import OutputLoad, Regulator
from instruments.simulated.sampling import swung

SOUND = {
    "level_v": 12.5,
    "droop_ohm": 0.02,
    "output_f": 470e-6,
    "esr_ohm": 0.02,
    "bandwidth_hz": 2500.0,
    "recovery_s": 0.0004,
}
TIMES_S = np.arange(0.0, 0.004, 20e-6)


def regulator(**changes):
    return Regulator("h", {f"h.{key}": value for key, value in (SOUND | changes).items()})


def shown(course, times_s=TIMES_S):
    return course.steady_v + swung(course.swings, times_s)


def integrated(quantities, state, load):
    """Integrate loop, capacitor and load; the pin's volts from Kirchhoff's laws at every instant."""
    gain_s = 2.0 * np.pi * quantities["bandwidth_hz"] * quantities["output_f"]

    def pin_v(capacitor_v, taken_up_a):
        # unknowns pin, delivered, drawn:  pin = capacitor + esr (delivered - drawn), and what each of the two is
        esr_ohm, conductance_s = quantities["esr_ohm"], load.conductance_s
        equations = np.array([[1.0, -esr_ohm, esr_ohm], [0.0, 1.0, 0.0], [-conductance_s, 0.0, 1.0]])
        pushed_a = taken_up_a + gain_s * (quantities["level_v"] - capacitor_v)
        return np.linalg.solve(equations, (capacitor_v, pushed_a, -conductance_s * load.behind_v))

    def slope(_, y):
        _, delivered_a, drawn_a = pin_v(*y)
        missing_v = quantities["level_v"] - quantities["droop_ohm"] * drawn_a - y[0]
        rate_s2 = gain_s / quantities["recovery_s"]
        return (delivered_a - drawn_a) / quantities["output_f"], rate_s2 * missing_v

    found = solve_ivp(slope, (0.0, TIMES_S[-1]), state, t_eval=TIMES_S, method="LSODA", rtol=1e-10, atol=1e-12)
    return np.array([pin_v(*y)[0] for y in found.y.T])


@pytest.mark.parametrize(
    ("changes", "before", "after"),
    [
        ({}, OutputLoad(0.032), OutputLoad(0.288)),
        ({}, OutputLoad(0.288), OutputLoad(0.032)),
        ({"esr_ohm": 0.1}, OutputLoad(), OutputLoad(0.32)),
        ({"bandwidth_hz": 300.0}, OutputLoad(0.032), OutputLoad(0.288)),  # rings
        ({}, OutputLoad(0.01, 20.0), OutputLoad(0.32)),  # fed a little, then loaded
    ],
)
def test_a_step_of_the_load_goes_as_the_equations_do(changes, before, after):
    loop = regulator(**changes)
    state = loop.at_rest(before)
    course = loop.course(state, after)
    assert shown(course) == pytest.approx(integrated(SOUND | changes, state, after), abs=2e-7)


def test_the_dip_is_what_gain_and_series_resistance_make_of_the_step_and_is_made_good():
    loop = regulator()
    course = loop.course(loop.at_rest(OutputLoad(0.032)), OutputLoad(0.288))
    dip_v = course.steady_v - shown(course).min()
    at_once_v = 0.02 * (0.288 - 0.032) * 12.5
    gain_v = (0.288 - 0.032) * 12.5 / (2.0 * np.pi * 2500.0 * 470e-6)
    assert max(at_once_v, 0.5 * gain_v) < dip_v < at_once_v + gain_v
    assert shown(course)[-1] == pytest.approx(12.5 - 0.02 * 0.288 * course.steady_v, abs=1e-3)


def test_a_course_broken_off_and_taken_up_again_is_the_same():
    loop, load = regulator(), OutputLoad(0.3)
    whole = loop.course(loop.at_rest(OutputLoad()), load)
    rest = loop.course(whole.state(0.0001), load)
    assert shown(rest, TIMES_S[:50]) == pytest.approx(shown(whole, TIMES_S[:50] + 0.0001), abs=1e-9)


def test_equal_rates_are_no_special_case():
    gain_s = 2.0 * np.pi * 2500.0 * 470e-6
    loop = regulator(droop_ohm=0.0, esr_ohm=0.0, recovery_s=4.0 * 470e-6 / gain_s)  # both at -g / 2C without a load
    state = loop.at_rest(OutputLoad(), above_v=1.0)
    quantities = SOUND | {"droop_ohm": 0.0, "esr_ohm": 0.0, "recovery_s": 4.0 * 470e-6 / gain_s}
    assert shown(loop.course(state, OutputLoad())) == pytest.approx(
        integrated(quantities, state, OutputLoad()), abs=1e-5
    )


def test_what_it_is_to_a_load_gives_the_pin_under_any_load():
    loop = regulator(esr_ohm=0.05)
    state = loop.at_rest(OutputLoad(0.1))
    open_v, ohm = loop.source(state)
    for conductance_s in (0.0, 0.05, 0.4):
        pin_v = float(shown(loop.course(state, OutputLoad(conductance_s)))[0])
        assert pin_v == pytest.approx(open_v / (1.0 + ohm * conductance_s), abs=1e-6)
