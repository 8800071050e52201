"""What the trim procedures ask of the bench alike: loads on the motor outputs, captures of an axis, needs."""

import math
from collections.abc import Iterable
from dataclasses import replace

from test_plans.conditions import bus_voltage_v, conforming_a, text
from test_plans.driving import axes_under_test
from test_plans.expected import through
from test_plans.procedure import CaptureNeed, Needs
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import trim_lines

RATE_HZ = 10_000.0  # where times are read
LIGHT = "light-load"
RUN_PATH = (SupplyPath.RUN.value,)


def axis_functions(setup: Setup) -> tuple[str, ...]:
    """Return the functions of the axes under test, each once."""
    return tuple(dict.fromkeys(axis.function for axis in axes_under_test(setup)))


def light_load(setup: Setup) -> str:
    """Return the load position for tests that need no current: condition `load`, else 1 kohm."""
    return text(setup, "load", "1 kohm")


def load_name(setup: Setup) -> str:
    """Return the load position of condition `load`; without it the bench's that draws nearest to the rated current."""
    return text(setup, "load", rated_load(setup, axes_under_test(setup)[0]))


def rated_load(setup: Setup, axis: TrimAxis) -> str:
    """Return the bench's load position that draws nearest to an axis's rated current, or the name it ought to have."""
    wanted_ohm = setup.unit.nominal_voltage_v / axis.rated_current_a
    positions = setup.bench.loads.get(axis.name, {})
    finite = {
        name: load for name, load in positions.items() if math.isfinite(load.resistance_ohm) and load.motor is None
    }
    nearest = min(finite, key=lambda name: abs(finite[name].resistance_ohm - wanted_ohm), default=None)
    return nearest or f"{wanted_ohm:.2g} ohm"


def axis_signals(axis: TrimAxis) -> tuple[str, ...]:
    """Return voltage and current of an output."""
    return voltage_signal(axis.name), f"{axis.name}.current"


def axis_capture(setup: Setup, axis: TrimAxis, volts: float, name: str, duration_s: float) -> CaptureNeed:
    """Return what a capture of one axis with all lines needs."""
    return CaptureNeed(
        name=name,
        signals=("unit.voltage", "unit.current", *axis_signals(axis)),
        lines=trim_lines(setup.unit),
        sample_rate_hz=RATE_HZ,
        duration_s=duration_s,
        highest_v={"unit.voltage": volts, voltage_signal(axis.name): volts},
    )


def trim_needs(
    setup: Setup,
    captures: tuple[CaptureNeed, ...],
    *,
    volts: float,
    condition: str,
    limit_a: float,
    load: str,
    limits: tuple[tuple[str, float], ...],
    switches: Iterable[TrimSwitch] | None = None,
) -> Needs:
    """Return the needs of a procedure that works trim switches with the axes under test on their loads.

    Args:
        setup: sheets and conditions.
        captures: one after the other.
        volts: highest bus voltage.
        condition: of the unit sheet's conforming currents.
        limit_a: of the supply.
        load: position on every axis under test.
        limits: limit keys with expected standard uncertainties.
        switches: that are worked; by default all of the axes under test.
    """
    axes = axes_under_test(setup)
    worked = (switch for axis in axes for switch in axis.switches) if switches is None else switches
    return Needs(
        bench_time_s=sum(need.duration_s for need in captures) + 1.0,
        captures=captures,
        highest_voltage_v=volts,
        supply_current_a=conforming_a(setup, condition),
        current_limit_a=limit_a,
        loads=tuple((axis.name, load) for axis in axes),
        load_current_a=max((through(setup, axis.name, load, volts) for axis in axes), default=0.0),
        switches=tuple(switch.name for switch in worked),
        paths=RUN_PATH,
        bus=True,
        airspeed=math.isfinite(setup.unit.full_trim_airspeed_kt),
        limits=limits,
    )


def drawn_axes(setup: Setup) -> tuple[TrimAxis, ...]:
    """Return the axes under test that the electronic load reaches; all of them where it reaches none, or is none."""
    axes, facts = axes_under_test(setup), setup.bench.electronic_load
    reached = tuple(axis for axis in axes if facts is not None and axis.name in facts.outputs)
    return reached or axes


def drawn_functions(setup: Setup) -> tuple[str, ...]:
    """Return the functions of those axes, each once."""
    return tuple(dict.fromkeys(axis.function for axis in drawn_axes(setup)))


def drawn_needs(
    setup: Setup,
    captures: tuple[CaptureNeed, ...],
    *,
    condition: str,
    limit_a: float,
    most_a: float,
    limits: tuple[tuple[str, float], ...],
    switches: Iterable[TrimSwitch],
) -> Needs:
    """Return the needs of a procedure that draws of the axes under test by electronic load, `most_a` at most."""
    volts, drawn = bus_voltage_v(setup), drawn_axes(setup)
    needs = trim_needs(
        setup,
        captures,
        volts=volts,
        condition=condition,
        limit_a=limit_a,
        load="open",
        limits=limits,
        switches=switches,
    )
    return replace(
        needs,
        drawn_from=tuple(axis.name for axis in drawn),
        drawn_a=most_a,
        drawn_w=most_a * volts,
        drawn_reversed=True,
        untested=tuple(
            f"{axis.title}: the electronic load does not reach it"
            for axis in axes_under_test(setup)
            if axis not in drawn
        ),
    )


def hang_on(rig: Rig, axis: TrimAxis, switch: TrimSwitch) -> None:
    """Connect the electronic load to an axis, the way round that a switch drives it, and arm."""
    rig.arm(False)
    rig.connect_load(axis.name, reverse=switch.polarity < 0)
    rig.arm(True)
    rig.wait(0.050)


def light_needs(
    setup: Setup, volts: float, limit_a: float, captures: tuple[CaptureNeed, ...], limits: tuple[tuple[str, float], ...]
) -> Needs:
    """Return the needs of a procedure that works switches with the axes under test on a light load."""
    return trim_needs(
        setup, captures, volts=volts, condition=LIGHT, limit_a=limit_a, load=light_load(setup), limits=limits
    )
