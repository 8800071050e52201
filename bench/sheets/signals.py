"""The signals a model gives rise to, and the nodes each is measured between (names: `test_plans.rig`)."""

from dataclasses import dataclass

from test_plans.sheets import UnitSheet
from test_plans.signals import AIRSPEED, leg_signals

SUPPLY_PLUS = "supply+"
SUPPLY_MINUS = "supply-"
REFERENCE = "reference"
BENCH_NODES = (SUPPLY_PLUS, SUPPLY_MINUS, REFERENCE)
PLUG = "plug"  # the load at the unit plug, in the unit's stead
GROUND = "ground"  # the load between the ground pins at the plug
LINES = "lines"  # the loads of all stimulus pins at the plug, on one relay
RECEIVE_LINE = "bus.receive"


@dataclass(frozen=True, slots=True)
class ExpectedSignal:
    """What is measured, `voltage` or `current`, between or through which nodes."""

    kind: str
    plus: str
    minus: str = ""


def expected_signals(unit: UnitSheet) -> dict[str, ExpectedSignal]:
    """Return every signal of a model by name.

    Inputs are measured to signal ground, to which their thresholds refer; outputs to power ground.
    """
    power, ground, signal_ground = unit.power_pin, unit.power_ground_pin, unit.signal_ground_pin
    signals = {
        "supply.voltage": ExpectedSignal("voltage", SUPPLY_PLUS, SUPPLY_MINUS),
        "unit.voltage": ExpectedSignal("voltage", power, ground),
        "unit.current": ExpectedSignal("current", SUPPLY_PLUS),
        "unit.current.high": ExpectedSignal("current", SUPPLY_PLUS),
        "return.current": ExpectedSignal("current", SUPPLY_MINUS),
        "ground.voltage": ExpectedSignal("voltage", ground, signal_ground),
        "reference.voltage": ExpectedSignal("voltage", REFERENCE),
    }
    inputs = [(entry.name, entry.pin) for entry in unit.discretes] + [
        (entry.name, entry.pin) for entry in unit.rheostats
    ]
    if unit.airspeed is not None and unit.airspeed.analogue is not None:
        inputs.append((AIRSPEED, unit.airspeed.pin))
    for name, pin in inputs:
        signals[f"{name}.voltage"] = ExpectedSignal("voltage", pin, signal_ground)
    for dimmer in unit.dimming:
        signals[f"{dimmer.name}.voltage"] = ExpectedSignal("voltage", dimmer.pin, ground)
    for axis in unit.trims:
        signals[f"{axis.name}.voltage"] = ExpectedSignal("voltage", axis.plus_pin, axis.minus_pin)
        signals[f"{axis.name}.current"] = ExpectedSignal("current", axis.plus_pin)
        for signal, pin in zip(leg_signals(axis), (axis.plus_pin, axis.minus_pin), strict=True):
            signals[signal] = ExpectedSignal("voltage", pin, ground)
    for output in unit.outputs:
        if output.held_up:
            signals[f"{output.name}.current"] = ExpectedSignal("current", output.plus_pin)
        signals[f"{output.name}.voltage"] = ExpectedSignal("voltage", output.plus_pin, output.minus_pin or ground)
    return signals
