"""A load of constant power on the input network, against scipy's integrator and against published closed forms."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from instruments.simulated.agenda import NS_PER_S, Agenda, Order
from instruments.simulated.network import InputNetwork
from instruments.simulated.parameters import PathParameters, SupplyParameters
from instruments.simulated.sampling import Window
from instruments.simulated.supply_stage import SupplyStage

FARAD = 2.2e-3
SOURCE, GROUND = 0.002, 0.005
NEVER = 1e12  # of the bleed, so that nothing but the load discharges


class Circuit:
    """A network on a supply whose set point jumps, with a load of constant power."""

    def __init__(self, *, source_ohm: float = SOURCE, capacitance_f: float = FARAD) -> None:
        self.agenda = Agenda()
        self.supply = SupplyStage(
            SupplyParameters(
                max_voltage_v=500.0,
                max_current_a=60.0,
                sink_current_a=5.0,
                slew_up_v_per_s=1e6,
                slew_down_v_per_s=1e6,
                source_resistance_ohm=source_ohm,
            ),
            self.agenda,
        )
        path = PathParameters(positive_ohm=0.0, negative_ohm=0.0, series_ohm={}, bleed_ohm=NEVER)
        self.network = InputNetwork(self.agenda, self.supply, path)
        self.network.plug(capacitance_f, GROUND)
        self.loop_ohm = source_ohm + GROUND
        self.connect(closed=True)
        self.supply.set_current_limit(60.0)
        self.supply.set_overvoltage(500.0)

    def connect(self, *, closed: bool) -> None:
        self.network.connect(
            closed=closed, bleeding=not closed, series_ohm=0.0, sense_at_pins=True, plug_conductance_s=0.0
        )

    def stand_at(self, voltage_v: float) -> None:
        self.supply.set_voltage(voltage_v)
        self.supply.set_output(True)
        self.agenda.run_until(self.agenda.now_ns + NS_PER_S)

    def at(self, time_s: float, action) -> None:
        self.agenda.at(self.agenda.now_ns + round(time_s * NS_PER_S), Order.BENCH, action)

    def run(self, duration_s: float, step_s: float) -> tuple[np.ndarray, np.ndarray]:
        begin_ns = self.agenda.now_ns
        self.agenda.run_until(begin_ns + round(duration_s * NS_PER_S))
        times_ns = begin_ns + np.arange(0, round(duration_s * NS_PER_S), round(step_s * NS_PER_S), dtype=np.int64)
        window = Window(times_ns, self.network.history)
        return (times_ns - begin_ns) / NS_PER_S, window.voltage() * np.ones(len(times_ns))


def reached_s(circuit: Circuit, level_v: float, duration_s: float) -> float:
    """Return when the capacitor has fallen to a level, as a watch on it says."""
    began_ns = circuit.agenda.now_ns
    seen = []

    def fell() -> None:
        seen.append((circuit.agenda.now_ns - began_ns) / NS_PER_S)
        watch.set(-math.inf, math.inf)

    watch = circuit.network.watch(on_fall=fell, on_rise=list)
    watch.set(level_v, math.inf)
    circuit.agenda.run_until(began_ns + round(duration_s * NS_PER_S))
    return seen[0]


@pytest.mark.parametrize(
    ("capacitance_f", "power_w", "from_v", "to_v", "holds_s"),
    [
        # t = C (V1^2 - V2^2) / (2 P): 200 W for 20 ms from 400 V to 300 V take 114.2857 uF (power-engineering practice)
        (114.2857e-6, 200.0, 400.0, 300.0, 0.020),
        # 10 mF, 12 V to 6 V, 10 W at 0.85: 45.9 ms
        (10e-3, 10.0 / 0.85, 12.0, 6.0, 0.0459),
        # the same formula by hand for 50 W at 0.87 with 2.07 W besides, 2.2 mF, 13.8 V to 5.4 V
        (2.2e-3, 50.0 / 0.87 + 2.07, 13.8, 5.4, 2.98e-3),
    ],
)
def test_a_capacitor_holds_up_as_long_as_the_energy_balance_says(capacitance_f, power_w, from_v, to_v, holds_s):
    circuit = Circuit(capacitance_f=capacitance_f)
    circuit.stand_at(from_v)
    circuit.connect(closed=False)
    circuit.network.set_power_load(power_w)
    exact_s = capacitance_f * (from_v**2 - to_v**2) / (2.0 * power_w)
    found_s = reached_s(circuit, to_v, 2.0 * exact_s)
    assert found_s == pytest.approx(exact_s, rel=1e-4)
    assert found_s == pytest.approx(holds_s, rel=2e-3)


@pytest.mark.parametrize(("efficiency", "current_a"), [(1.0, 8.400), (0.90, 9.333), (0.85, 9.882)])
def test_its_input_current_at_5_v_is_the_power_over_efficiency_and_volts(efficiency, current_a):
    # I = P / (eta V): 12 V at 3.5 A taken from 5 V, which is where a supply's current limit is first in the way
    circuit = Circuit(source_ohm=1e-4)
    circuit.stand_at(5.0)
    circuit.network.set_power_load(12.0 * 3.5 / efficiency)
    circuit.supply.set_voltage(5.0 + current_a * circuit.loop_ohm)
    circuit.run(0.1, 1e-3)
    assert circuit.network.supply_current_a() == pytest.approx(current_a, abs=5e-4)


@pytest.mark.parametrize(
    ("source_v", "loop_ohm", "stands_v"),
    [  # V = (E + sqrt(E^2 - 4 Rs P / eta)) / 2 for 42 W at 0.85
        (5.0, 0.05, 4.444071),
        (12.0, 0.05, 11.790459),
        (6.0, 0.1, 5.014652),
    ],
)
def test_it_stands_where_the_quadratic_says(source_v, loop_ohm, stands_v):
    circuit = Circuit(source_ohm=loop_ohm - GROUND)
    circuit.stand_at(source_v)
    circuit.network.set_power_load(42.0 / 0.85)
    circuit.run(0.2, 1e-3)
    assert circuit.network.voltage_v() == pytest.approx(stands_v, abs=1e-6)


@pytest.mark.parametrize(("above", "collapses"), [(1.005, False), (0.995, True)])
@pytest.mark.parametrize(("loop_ohm", "from_v", "least_v"), [(0.05, 5.0, 3.143621), (0.1, 6.0, 4.445751)])
def test_it_collapses_below_the_least_source_voltage(loop_ohm, from_v, least_v, above, collapses):
    # E_min = 2 sqrt(Rs P / eta) for 42 W at 0.85 (maximum power transfer)
    circuit = Circuit(source_ohm=loop_ohm - GROUND)
    circuit.stand_at(from_v)
    circuit.network.set_power_load(42.0 / 0.85)
    circuit.run(0.05, 1e-3)
    circuit.supply.set_voltage(least_v * above)
    _, voltage_v = circuit.run(0.5, 2e-5)  # its voltage is below 1 V for less than 0.1 ms
    assert bool(voltage_v.min() < 1.0) is collapses


@pytest.mark.parametrize("limit_a", [60.0, 3.0])
def test_steps_breaks_and_current_limiting_are_what_the_integrator_says(limit_a):
    circuit = Circuit(source_ohm=0.3)
    circuit.stand_at(13.8)
    power_w = 40.0
    circuit.network.set_power_load(power_w)
    circuit.run(0.1, 1e-3)
    circuit.supply.set_current_limit(limit_a)
    start_v = circuit.network.voltage_v()
    for time_s, closed in ((1e-3, False), (2e-3, True), (4e-3, False), (5e-3, True)):
        circuit.at(time_s, lambda closed=closed: circuit.connect(closed=closed))
    times_s, voltage_v = circuit.run(8e-3, 1e-5)

    def slope(time_s: float, voltage: np.ndarray) -> list[float]:
        closed = not (1e-3 <= time_s < 2e-3 or 4e-3 <= time_s < 5e-3)
        source_a = min(limit_a, max(-5.0, (13.8 - voltage[0]) / circuit.loop_ohm)) if closed else 0.0
        return [(source_a - power_w / voltage[0]) / FARAD]

    expected = [start_v]
    for low_s, high_s in ((0.0, 1e-3), (1e-3, 2e-3), (2e-3, 4e-3), (4e-3, 5e-3), (5e-3, 8e-3)):
        inside = times_s[(times_s > low_s) & (times_s <= high_s)]
        middle_s = 0.5 * (low_s + high_s)
        found = solve_ivp(
            lambda _, v, at=middle_s: slope(at, v), (low_s, high_s), [expected[-1]], t_eval=inside, rtol=1e-9, atol=1e-9
        )
        expected.extend(found.y[0])
    assert np.max(np.abs(voltage_v - np.array(expected[: len(voltage_v)]))) < 2e-3
