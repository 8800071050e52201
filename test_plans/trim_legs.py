"""Both legs of every trim bridge, each direction: what drops towards the bus, and what towards ground.

A leg's resistance is the change of its drop between the light load and the rated one over the change of the current,
so the zeros of all channels and nearly all of their gain fall out; the drop is told at the rated current. Seats share
the bridge, so the first one stands for all. What drops towards ground includes the unit's power ground pin.
"""

import math
from collections.abc import Iterable, Iterator

from analysis.measurement import Doubt, Measurement, Result
from analysis.power import consistency_doubts
from analysis.uncertainty import Estimate, difference, exact, product, ratio
from analysis.verdict import Cause
from test_plans.bench_agreement import branch_check
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a
from test_plans.driving import LEAD_S, Touch, apply_loads, axes_under_test, bring_up, drop_loads, in_turn, play_touches
from test_plans.expected import reading, through, typical, worst
from test_plans.model_gaps import without_limit, without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, magnitude, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import leg_signals, voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import axis_functions, load_name, trim_needs
from test_plans.trim_drive import of_seat
from test_plans.trim_switches import duty_doubts, hold_of, line_doubts, seat_words, switch_id

RATE_HZ = 5000.0
HOLD_S = 0.35
PAUSE_S = 0.20
SETTLE_S = 0.15
LIGHT, LOADED = "light", "loaded"
LIGHT_LOAD = "1 kohm"
LEAST_PART = 0.5  # of the rated current: with less between both loads one of them was not on
CONDITION = "loaded"


class TrimLegs:
    """Drop of each leg and their difference."""

    name = "trim-legs"
    title = "Trim outputs: drop of each leg of the bridge"
    conditions = ("voltage_v", "current_limit_a", "axes", "load")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup) or without_limit(setup, "trim-leg-drop", "trim-leg-difference")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return two captures per axis, one for each load."""
        axes, volts = axes_under_test(setup), bus_voltage_v(setup)
        captures = tuple(
            CaptureNeed(
                name=_capture(axis, kind),
                signals=_signals(axis),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=_duration_s(axis),
                highest_v={"unit.voltage": volts, "unit.current.high": conforming_a(setup, CONDITION)}
                | dict.fromkeys((voltage_signal(axis.name), *leg_signals(axis)), volts)
                | {f"{axis.name}.current": 1.2 * axis.rated_current_a},
            )
            for axis in axes
            for kind in (LIGHT, LOADED)
        )
        return trim_needs(
            setup,
            captures,
            volts=volts,
            condition=CONDITION,
            limit_a=current_limit_a(setup, CONDITION, 3.0),
            load=load_name(setup),
            limits=_expected(setup),
            switches=(switch for axis in axes for switch in _switches(axis)),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Press both directions of the first seat, on the light load and on the rated one."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 3.0))
        lines = trim_lines(setup.unit)
        for axis in axes_under_test(setup):
            for kind in (LIGHT, LOADED):
                apply_loads(rig, [(axis.name, _load(setup, kind))])
                with rig.capture(_capture(axis, kind), _signals(axis), sample_rate_hz=RATE_HZ, lines=lines) as session:
                    play_touches(session, _touches(axis))
                    session.wait_until(_duration_s(axis))
                drop_loads(rig, [axis.name])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give both drops of each direction at the rated current, and their difference."""
        for axis in axes_under_test(setup):
            records = tuple(Record(evidence, _capture(axis, kind)) for kind in (LIGHT, LOADED))
            for switch in _switches(axis):
                yield from _results(records, setup, axis, switch)


def _results(records: tuple[Record, ...], setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Iterator[Measurement]:
    light, loaded = records
    doubts = (*_doubts(light, setup, axis, switch), *_doubts(loaded, setup, axis, switch))
    change_a = difference(_current(loaded, axis, switch), _current(light, axis, switch))
    if math.isfinite(change_a.value) and change_a.value < LEAST_PART * axis.rated_current_a:
        doubts = (*doubts, _no_load(loaded, axis, change_a.value))
    drops = []
    for leg in ("high", "low"):
        change_v = difference(_drop(loaded, axis, switch, leg), _drop(light, axis, switch, leg))
        drops.append(_at_rated(change_v, change_a, axis))
    high, low = drops
    for what, limit, title, found in (
        ("high-leg-drop", "trim-leg-drop", "drop of the leg towards the bus", high),
        ("low-leg-drop", "trim-leg-drop", "drop of the leg towards ground", low),
        ("leg-difference", "trim-leg-difference", "leg towards the bus less leg towards ground", difference(high, low)),
    ):
        yield doubted(found, *doubts).measurement(
            id=switch_id(switch, what),
            limit=limit,
            title=f"{axis.title} {seat_words(switch)}: {title}",
            function=axis.function,
            quantity_unit="V",
            pins=(axis.plus_pin, axis.minus_pin),
            notes=(f"at {axis.rated_current_a:g} A, from a change of {change_a.value:.3f} A",),
        )


def _window(record: Record, axis: TrimAxis, switch: TrimSwitch) -> tuple[float, float] | None:
    held = hold_of(record, axis, switch)
    return None if held is None else (held.pressed_s + SETTLE_S, held.released_s)


def _current(record: Record, axis: TrimAxis, switch: TrimSwitch) -> Estimate:
    window = _window(record, axis, switch)
    return nothing(*record.missing) if window is None else magnitude(record.mean(f"{axis.name}.current", *window))


def _drop(record: Record, axis: TrimAxis, switch: TrimSwitch, leg: str) -> Estimate:
    """Return the drop of a leg: bus less the pin that is driven up, or the pin that is driven down."""
    window = _window(record, axis, switch)
    if window is None:
        return nothing(*record.missing)
    plus, minus = leg_signals(axis)
    up, down = (plus, minus) if switch.polarity > 0 else (minus, plus)
    if leg == "low":
        return record.mean(down, *window)
    return difference(record.mean("unit.voltage", *window), record.mean(up, *window))


def _doubts(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> tuple[Doubt, ...]:
    """Return why a press says nothing of the legs: line, pulses, supply, or a current that is not V/R of the load."""
    held, window = hold_of(record, axis, switch), _window(record, axis, switch)
    if held is None or window is None:
        reason = f"{record.name}: {switch.name} was not pressed"
        return record.missing or (Doubt(reason=reason, cause=Cause.BENCH, next_step="run it again"),)
    load = setup.bench.loads[axis.name][_load(setup, record.name.rpartition(".")[2])]
    volts, amps = record.mean(voltage_signal(axis.name), *window), record.mean(f"{axis.name}.current", *window)
    full_kt = setup.unit.full_trim_airspeed_kt
    return (
        *line_doubts(record, held),
        *duty_doubts(record, axis, *window, full_airspeed_kt=full_kt),
        *supply_doubts(record, setup, CONDITION, *window),
        *consistency_doubts([branch_check(amps, volts, load, axis.name)]),
    )


def _no_load(record: Record, axis: TrimAxis, change_a: float) -> Doubt:
    return Doubt(
        reason=f"{record.name}: the current of {axis.title} rises by {change_a:.3f} A only from one load to the other",
        cause=Cause.UNDECIDED,
        next_step="see trim-light and trim-loaded, and measure the loads at the bench's plug",
    )


def _at_rated(change_v: Estimate, change_a: Estimate, axis: TrimAxis) -> Estimate:
    """Return a change of drop with a change of current as it is at the rated current."""
    return product(ratio(change_v, change_a), exact(axis.rated_current_a))


def _expected(setup: Setup) -> tuple[tuple[str, float], ...]:
    """Return the uncertainties of the drop of a leg, the worse of both, and of their difference."""
    drops, differences = [], []
    for axis in axes_under_test(setup):
        high, low = _expected_drops(setup, axis)
        drops += [high, low]
        differences.append(difference(high, low))
    return ("trim-leg-drop", worst(*drops)), ("trim-leg-difference", worst(*differences))


def _expected_drops(setup: Setup, axis: TrimAxis) -> tuple[Estimate, Estimate]:
    """Return the drops of both legs of an axis: each a change that one channel reads at either end."""
    volts, (up, down) = bus_voltage_v(setup), leg_signals(axis)
    samples = round((HOLD_S - SETTLE_S) * RATE_HZ)
    light_a, loaded_a = (through(setup, axis.name, _load(setup, kind), volts) for kind in (LIGHT, LOADED))
    if loaded_a <= light_a:
        return exact(0.0), exact(0.0)  # said already: the bench has no such load
    ohm = typical(setup, "trim-leg-drop") / axis.rated_current_a

    def read(signal: str, value: float, kind: str) -> Estimate:
        return reading(setup, signal, value, samples=samples, when=kind)

    change_a = difference(
        *(read(f"{axis.name}.current", amps, kind) for amps, kind in ((loaded_a, LOADED), (light_a, LIGHT)))
    )
    high, low = [], []
    for amps, kind in ((loaded_a, LOADED), (light_a, LIGHT)):
        high.append(difference(read("unit.voltage", volts, kind), read(up, volts - ohm * amps, kind)))
        low.append(read(down, ohm * amps, kind))
    return _at_rated(difference(*high), change_a, axis), _at_rated(difference(*low), change_a, axis)


def _load(setup: Setup, kind: str) -> str:
    return LIGHT_LOAD if kind == LIGHT else load_name(setup)


def _switches(axis: TrimAxis) -> tuple[TrimSwitch, ...]:
    """Return both directions of the first seat."""
    return of_seat(axis, axis.switches[0].seat)


def _touches(axis: TrimAxis) -> tuple[Touch, ...]:
    return in_turn((switch.name for switch in _switches(axis)), first_s=LEAD_S, hold_s=HOLD_S, pause_s=PAUSE_S)


def _signals(axis: TrimAxis) -> tuple[str, ...]:
    return ("unit.voltage", "unit.current.high", voltage_signal(axis.name), f"{axis.name}.current", *leg_signals(axis))


def _capture(axis: TrimAxis, kind: str) -> str:
    return f"{axis.name}.{kind}"


def _duration_s(axis: TrimAxis) -> float:
    return LEAD_S + len(_switches(axis)) * (HOLD_S + PAUSE_S)
