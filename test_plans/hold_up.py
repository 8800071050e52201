"""The hold-up output as its procedures need it: which one, its loads on this bench, its signals, its supply current."""

import math

from analysis.measurement import Doubt
from analysis.uncertainty import Estimate, product
from analysis.verdict import Cause
from test_plans.conditions import conforming_a, current_limit_a
from test_plans.procedure import CaptureNeed, Needs, NotForModel
from test_plans.readings import Record
from test_plans.rig import Rig
from test_plans.sheets import Setup, WatchedOutput
from test_plans.signals import current_signal, voltage_signal
from test_plans.switch_lines import watched_lines
from test_plans.trim_bench import RUN_PATH

CONDITION = "hold-up"
CURRENT = "unit.current.high"
LIMIT_A = 16.0
LIGHT_PART = 0.25  # of the rated current: a lighter load tells regulation from the set point
OFF_PART = 0.5  # of its level: below it the output is lost
SHORT_OF = 0.05  # of what the load ought to draw, beyond its tolerance: what the channels may be off
SHOWN_PART = 0.2  # of the level: from there up the output shows what its load draws


def held_output(setup: Setup) -> WatchedOutput:
    """Return the hold-up output.

    Raises:
        LookupError: the model has none; `without_hold_up` says so before.
    """
    for output in setup.unit.outputs:
        if output.held_up:
            return output
    raise LookupError(f"model {setup.unit.model} has no hold-up output")


def without_hold_up(setup: Setup) -> NotForModel | None:
    """Return why a procedure for it is left out: the model has no hold-up output."""
    if any(output.held_up for output in setup.unit.outputs):
        return None
    return NotForModel(reason=f"model {setup.unit.model} has no hold-up output")


def full_load(setup: Setup) -> str:
    """Return the position of the load that draws the rated current at the output's level, or the name it ought to have.

    Of several it is the one nearest to it.
    """
    output = held_output(setup)
    wanted_ohm = output.held_v / output.rated_current_a
    loads = _resistors(setup)
    fit = {name: ohm for name, ohm in loads.items() if abs(ohm / wanted_ohm - 1.0) <= 0.1}
    return min(fit, key=lambda name: abs(fit[name] - wanted_ohm)) if fit else f"{wanted_ohm:.4g} ohm"


def light_load(setup: Setup) -> str:
    """Return the position of the lightest load that draws something, or the name it ought to have."""
    output = held_output(setup)
    least_ohm = output.held_v / (LIGHT_PART * output.rated_current_a)
    light = {name: ohm for name, ohm in _resistors(setup).items() if ohm >= least_ohm}
    return (
        max(light, key=lambda name: light[name])
        if light
        else f"{10.0 * output.held_v / output.rated_current_a:.4g} ohm"
    )


def hold_up_capture(
    setup: Setup, name: str, *, rate_hz: float, duration_s: float, bus_v: float, most_a: float | None = None
) -> CaptureNeed:
    """Return a capture of the output on its load, the bus at `bus_v` at most; `most_a` is its rated current, else."""
    output = held_output(setup)
    return CaptureNeed(
        name=name,
        signals=signals_of(setup),
        lines=lines_of(setup),
        sample_rate_hz=rate_hz,
        duration_s=duration_s,
        highest_v={
            "unit.voltage": bus_v,
            voltage_signal(output.name): output.held_v,
            current_signal(output.name): output.rated_current_a if most_a is None else most_a,
        },
    )


def hold_up_needs(
    setup: Setup,
    captures: tuple[CaptureNeed, ...],
    *,
    limits: tuple[tuple[str, float], ...],
    highest_v: float,
    paths: tuple[str, ...] = RUN_PATH,
    light: bool = False,
    apart_s: float = 3.0,
) -> Needs:
    """Return what a procedure on the loaded hold-up output needs; `apart_s` is bench time outside its captures."""
    output = held_output(setup)
    return Needs(
        bench_time_s=sum(need.duration_s for need in captures) + apart_s,
        captures=captures,
        highest_voltage_v=highest_v,
        supply_current_a=conforming_a(setup, CONDITION),
        current_limit_a=limit_a(setup),
        loads=((output.name, full_load(setup)),),
        load_current_a=output.rated_current_a,
        light_loads=((output.name, light_load(setup)),) if light else (),
        paths=paths,
        bus=bool(setup.unit.bus.reports),
        limits=limits,
    )


def limit_a(setup: Setup) -> float:
    """Return the supply's current limit while the output is loaded."""
    return current_limit_a(setup, CONDITION, LIMIT_A)


def signals_of(setup: Setup) -> tuple[str, ...]:
    """Return bus, supply current and the output's voltage and current."""
    name = held_output(setup).name
    return ("unit.voltage", CURRENT, voltage_signal(name), current_signal(name))


def lines_of(setup: Setup) -> tuple[str, ...]:
    """Return the switch lines and the receive line."""
    return watched_lines(setup.unit)


def put_load(rig: Rig, setup: Setup, position: str) -> None:
    """Switch the output's load."""
    rig.set_load(held_output(setup).name, position)


def output_power(record: Record, setup: Setup, start_s: float, stop_s: float) -> Estimate:
    """Return the power into the load over a stretch, in W."""
    name = held_output(setup).name
    return product(
        record.mean(voltage_signal(name), start_s, stop_s), record.mean(current_signal(name), start_s, stop_s)
    )


def load_doubts(record: Record, setup: Setup, start_s: float, stop_s: float) -> tuple[Doubt, ...]:
    """Return the doubt that the load is the one the sheet says, by what it drew while the output stood or fell.

    An output that a load brings down still shows the load on its way there; one that never showed any leaves both
    possible.
    """
    output, position = held_output(setup), full_load(setup)
    volts = record.samples(voltage_signal(output.name), start_s, stop_s)
    amps = record.samples(current_signal(output.name), start_s, stop_s)
    resistor = setup.bench.loads.get(output.name, {}).get(position)
    if record.capture is None or resistor is None or not volts.size or volts.size != amps.size:
        return ()
    step = f"measure the load {position} of {output.name}, its relay and the channel of its current"
    shown = volts > SHOWN_PART * output.held_v
    if not shown.any():
        reason = f"{record.name}: the output showed nothing that its load could have drawn from"
        return (Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step),)
    # The load comes on some time in the stretch, so the most it drew of what stood there is what it is.
    most = int((amps[shown] / volts[shown]).argmax())
    drawn_a, of_v = float(amps[shown][most]), float(volts[shown][most])
    wanted_a = of_v / resistor.resistance_ohm
    if abs(drawn_a / wanted_a - 1.0) <= resistor.relative_bound + SHORT_OF:
        return ()
    reason = f"{record.name}: the load drew {drawn_a:.2f} A of {of_v:.2f} V, {wanted_a:.2f} A were to be expected"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step=step),)


def _resistors(setup: Setup) -> dict[str, float]:
    loads = setup.bench.loads.get(held_output(setup).name, {})
    return {
        name: load.resistance_ohm
        for name, load in loads.items()
        if math.isfinite(load.resistance_ohm) and not (load.to_reference or load.to_dip_source)
    }
