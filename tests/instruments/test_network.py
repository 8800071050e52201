"""The input network against scipy's integrator, which is told the circuit in its own words, and by hand."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from instruments.simulated.agenda import NS_PER_S, Agenda, Order
from instruments.simulated.network import InputNetwork
from instruments.simulated.parameters import PathParameters, SupplyParameters
from instruments.simulated.sampling import Window
from instruments.simulated.supply_stage import SupplyStage

POSITIVE, NEGATIVE, SOURCE, GROUND = 0.012, 0.006, 0.002, 0.005
FARAD = 2.2e-3


class Circuit:
    """A network with its supply, and what was done to it noted for the integrator."""

    def __init__(self, *, sense_open=False, series_ohm=0.0, sense_at_pins=True, capacitance_f=FARAD, cap_a=math.inf):
        self.agenda = Agenda()
        self.supply = SupplyStage(
            SupplyParameters(
                max_voltage_v=36.0,
                max_current_a=60.0,
                sink_current_a=5.0,
                slew_up_v_per_s=200.0,
                slew_down_v_per_s=100.0,
                source_resistance_ohm=SOURCE,
                sense_open=sense_open,
                current_limit_cap_a=cap_a,
            ),
            self.agenda,
        )
        path = PathParameters(positive_ohm=POSITIVE, negative_ohm=NEGATIVE, series_ohm={}, bleed_ohm=100.0)
        self.network = InputNetwork(self.agenda, self.supply, path)
        self.network.plug(capacitance_f, GROUND)
        self.local_ohm = SOURCE + GROUND + series_ohm + POSITIVE + NEGATIVE
        self.series_ohm, self.sense_at_pins = series_ohm, sense_at_pins
        self.close()

    def close(self, plug_s=0.0):
        self.network.connect(
            closed=True,
            bleeding=False,
            series_ohm=self.series_ohm,
            sense_at_pins=self.sense_at_pins,
            plug_conductance_s=plug_s,
        )

    def open(self):
        self.network.connect(
            closed=False, bleeding=True, series_ohm=math.inf, sense_at_pins=False, plug_conductance_s=0.0
        )

    def at(self, time_s, action):
        self.agenda.at(round(time_s * NS_PER_S), Order.BENCH, action)

    def run(self, end_s, step_s):
        self.agenda.run_until(round(end_s * NS_PER_S))
        times_ns = np.arange(0, round(end_s * NS_PER_S), round(step_s * NS_PER_S), dtype=np.int64)
        window = Window(times_ns, self.network.history)
        full = np.ones(len(times_ns))
        return times_ns / NS_PER_S, window.voltage() * full, window.current() * full, window.terminal() * full


def integrate(times_s, breaks_s, derivative, start_v=0.0):
    """Integrate piece by piece between the instants at which something jumps."""
    out, voltage = np.empty(len(times_s)), start_v
    for low, high in zip((0.0, *breaks_s), (*breaks_s, times_s[-1] + 1e-3), strict=True):
        inside = (times_s >= low) & (times_s < high)
        solution = solve_ivp(
            lambda t, v, middle=0.5 * (low + high): [derivative(t, v[0], middle)],
            (low, high),
            [voltage],
            t_eval=[*times_s[inside], high],
            method="LSODA",
            rtol=1e-9,
            atol=1e-10,
        )
        out[inside], voltage = solution.y[0][:-1], solution.y[0][-1]
    return out


def test_power_up_into_the_current_limit_is_what_the_integrator_says():
    circuit = Circuit()
    circuit.supply.set_current_limit(0.25)
    circuit.network.set_unit_load(0.05, 0.01)
    circuit.supply.set_voltage(5.0)
    circuit.supply.set_output(True)
    times_s, voltage, current, _ = circuit.run(0.2, 1e-4)

    def derivative(t, v, _):
        free = (min(5.0, 200.0 * t) - v) / (SOURCE + GROUND)
        return (min(max(free, -5.0), 0.25) - 0.05 - 0.01 * v) / FARAD

    assert np.max(np.abs(voltage - integrate(times_s, (0.025,), derivative))) < 2e-6
    assert current.max() == 0.25
    assert voltage[-1] == pytest.approx(5.0 - (0.05 + 0.01 * voltage[-1]) * (SOURCE + GROUND), abs=1e-9)
    assert circuit.supply.limited_since_last_call()
    assert not circuit.supply.limiting()
    assert not circuit.supply.limited_since_last_call()


def test_a_step_through_20_ohm_and_a_load_switched_on_are_what_the_integrator_says():
    circuit = Circuit(series_ohm=20.0, sense_at_pins=False)
    circuit.supply.set_current_limit(2.0)
    circuit.supply.set_voltage(10.0)
    circuit.supply.set_output(True)
    circuit.at(0.1, lambda: circuit.network.set_unit_load(0.0, 0.05))
    times_s, voltage, current, terminal = circuit.run(0.3, 1e-4)

    def derivative(t, v, middle):
        free = (min(10.0, 200.0 * t) - v) / circuit.local_ohm
        return (free - (0.05 * v if middle > 0.1 else 0.0)) / FARAD

    assert np.max(np.abs(voltage - integrate(times_s, (0.05, 0.1), derivative))) < 2e-6
    assert terminal[-1] == pytest.approx(10.0 - SOURCE * current[-1], abs=1e-9)


def test_set_point_down_against_the_sink_limit_is_what_the_integrator_says():
    circuit = Circuit(capacitance_f=0.1)
    circuit.supply.set_current_limit(60.0)
    circuit.supply.set_voltage(10.0)
    circuit.supply.set_output(True)
    circuit.at(0.2, lambda: circuit.supply.set_voltage(2.0))
    times_s, voltage, current, _ = circuit.run(0.5, 2e-4)

    def derivative(t, v, middle):
        reference = min(10.0, 200.0 * t) if middle < 0.2 else max(2.0, 10.0 - 100.0 * (t - 0.2))
        free = (reference - v) / (SOURCE + GROUND)
        return min(max(free, -5.0), 60.0) / 0.1

    assert np.max(np.abs(voltage - integrate(times_s, (0.05, 0.2, 0.28), derivative))) < 5e-6
    assert current.min() == -5.0


def test_discharge_over_the_bleed_is_an_exponential():
    circuit = Circuit()
    circuit.supply.set_current_limit(10.0)
    circuit.supply.set_voltage(13.8)
    circuit.supply.set_output(True)
    circuit.at(0.2, circuit.open)
    times_s, voltage, current, _ = circuit.run(1.0, 1e-3)
    after = times_s >= 0.2
    expected = voltage[after][0] * np.exp(-(times_s[after] - 0.2) / (FARAD * 100.0))
    assert np.max(np.abs(voltage[after] - expected)) < 1e-9
    assert not current[times_s > 0.2].any()


@pytest.mark.parametrize("slices", [1, 7, 100])
def test_course_is_the_same_bits_however_time_is_cut(slices):
    def course(cuts):
        circuit = Circuit(capacitance_f=0.02)
        circuit.supply.set_current_limit(3.0)
        circuit.network.set_unit_load(0.15, 0.1)
        circuit.supply.set_voltage(13.8)
        circuit.supply.set_output(True)
        circuit.at(0.15, lambda: circuit.network.set_unit_load(0.15, 0.5))
        circuit.at(0.2, lambda: circuit.supply.set_voltage(6.0))
        for cut in range(1, cuts):
            circuit.agenda.run_until(cut * 400_000_000 // cuts)
        return circuit.run(0.4, 1e-4)[1:]

    for got, wanted in zip(course(slices), course(1000), strict=True):
        assert np.array_equal(got, wanted)


def test_sense_makes_good_the_leads_and_an_open_one_does_not():
    def pins(*, sense_open):
        circuit = Circuit(sense_open=sense_open)
        circuit.supply.set_current_limit(20.0)
        circuit.network.set_unit_load(10.0, 0.0)
        circuit.network.set_unit_load(0.0, 0.0)
        circuit.supply.set_voltage(14.0)
        circuit.supply.set_output(True)
        circuit.at(0.2, lambda: circuit.network.set_unit_load(10.0, 0.0))
        circuit.run(0.4, 1e-3)
        return circuit.network.pin_voltage_v(), circuit.network.driven_terminal_v()

    assert pins(sense_open=False) == pytest.approx((13.98, 14.16), abs=1e-9)
    assert pins(sense_open=True) == pytest.approx((13.80, 13.98), abs=1e-9)


def test_a_watched_voltage_is_reported_to_the_nanosecond():
    circuit = Circuit()
    reached = []

    def rise():
        reached.append((circuit.agenda.now_ns, circuit.network.voltage_v()))
        watch.set(-math.inf, math.inf)

    watch = circuit.network.watch(on_fall=list, on_rise=rise)
    circuit.supply.set_current_limit(0.1)
    watch.set(-math.inf, 4.0)
    circuit.supply.set_voltage(10.0)
    circuit.supply.set_output(True)
    circuit.run(0.3, 1e-3)
    [(time_ns, voltage_v)] = reached
    assert voltage_v == pytest.approx(4.0, abs=1e-6)
    # 0.1 A charge 2.2 mF to 4 V in 88 ms; before that 0.25 us of ramp are below the limit's current.
    assert time_ns == pytest.approx(0.088 * NS_PER_S, abs=20_000)


def test_over_voltage_trips_the_output_off_and_clearing_does_not_switch_it_on():
    circuit = Circuit()
    circuit.supply.set_current_limit(10.0)
    circuit.supply.set_overvoltage(9.0)
    circuit.supply.set_voltage(12.0)
    circuit.supply.set_output(True)
    circuit.run(0.1, 1e-3)
    assert circuit.supply.overvoltage_tripped
    assert not circuit.supply.output_on
    assert circuit.network.voltage_v() == pytest.approx(9.0, abs=0.02)
    circuit.supply.set_output(True)
    assert not circuit.supply.output_on
    circuit.supply.clear_protection()
    assert not circuit.supply.output_on
    circuit.supply.set_overvoltage(20.0)
    circuit.supply.set_output(True)
    circuit.agenda.run_until(2 * NS_PER_S)
    assert circuit.network.voltage_v() == pytest.approx(12.0, abs=1e-6)


def test_a_capped_limit_limits_though_it_reads_back_as_set():
    circuit = Circuit(cap_a=0.5)
    circuit.supply.set_current_limit(5.0)
    circuit.network.set_unit_load(0.0, 1.0)
    circuit.supply.set_voltage(10.0)
    circuit.supply.set_output(True)
    circuit.run(0.5, 1e-3)
    assert circuit.supply.current_setting_a == 5.0
    assert circuit.network.supply_current_a() == 0.5
    assert circuit.supply.limiting()
    assert circuit.network.voltage_v() == pytest.approx(0.5, abs=1e-9)


def test_set_point_slews_at_its_rates():
    circuit = Circuit()
    circuit.supply.set_current_limit(10.0)
    circuit.supply.set_voltage(10.0)
    circuit.supply.set_output(True)
    circuit.at(0.1, lambda: circuit.supply.set_voltage(5.0))
    times_s, voltage, _, _ = circuit.run(0.2, 1e-3)
    assert voltage[times_s == 0.030][0] == pytest.approx(6.0, abs=0.005)
    assert voltage[times_s == 0.120][0] == pytest.approx(8.0, abs=0.005)
    assert voltage[-1] == pytest.approx(5.0, abs=1e-9)


def test_a_set_point_changed_under_way_turns_from_where_it_is():
    circuit = Circuit()
    circuit.supply.set_current_limit(10.0)
    circuit.supply.set_voltage(10.0)
    circuit.supply.set_output(True)
    circuit.at(0.020, lambda: circuit.supply.set_voltage(2.0))
    times_s, voltage, _, _ = circuit.run(0.1, 1e-3)
    assert voltage[times_s == 0.020][0] == pytest.approx(4.0, abs=0.005)
    assert voltage[times_s == 0.030][0] == pytest.approx(3.0, abs=0.005)
