"""Held-switch cut-off: each trim switch is held on the load for longer than the unit may drive.

Stretches of drive are found in 5 ms means, which a pulsed output passes too; each end of a stretch is then looked up
in the samples, where the output crosses half of the bus. The unit's own steps of time (its scan) are in the value.
"""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from analysis.measurement import Doubt, Observation, Result
from analysis.uncertainty import Estimate, bounded, difference, total
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, current_limit_a
from test_plans.driving import LEAD_S, Touch, apply_loads, axes_under_test, bring_up, drop_loads, in_turn, play_touches
from test_plans.expected import timed, worst
from test_plans.idle import idle_observation
from test_plans.model_gaps import without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import FILTER_S, Record, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import axis_functions, load_name, trim_needs
from test_plans.trim_loaded import CONDITION
from test_plans.trim_switches import (
    Held,
    hold_of,
    line_doubts,
    lines_of,
    others_than,
    seat_words,
    switch_id,
    watched_signals,
)

BESIDES = "besides"  # the capture of the axes that are not under test
RATE_HZ = 2000.0
HOLD_FACTOR = 1.3  # of the nominal cut-off
PAUSE_S = 0.4
DRIVING_FRACTION = 0.2  # of the bus, in 5 ms means: slow trim at 45 % duty counts as driving
SETTLED_S = 0.1
EDGE_FRACTION = 0.5  # of the bus: where drive on and drive off are timed
BESIDE_S = 2.0 * FILTER_S  # an edge lies at most that far from the end of its stretch of means


class TrimCutOff:
    """Drive on to drive off with a switch that is held."""

    name = "trim-cut-off"
    title = "Trim outputs: held-switch cut-off"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one long slow capture per axis, and one of all other axes together."""
        axes = axes_under_test(setup)
        volts = bus_voltage_v(setup)
        captures = tuple(
            CaptureNeed(
                name=axis.name,
                signals=_signals(setup, axis),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=_duration_s(axis),
                highest_v={"unit.voltage": volts, voltage_signal(axis.name): volts},
            )
            for axis in axes
        )
        besides = _besides(setup)
        if besides:
            captures = (*captures, _besides_need(setup, besides))
        return trim_needs(
            setup,
            captures,
            volts=volts,
            condition=CONDITION,
            limit_a=current_limit_a(setup, CONDITION, 3.0),
            load=load_name(setup),
            switches=(
                *(switch for axis in axes for switch in axis.switches),
                *(axis.switches[0] for axis in besides),
            ),
            limits=(("trim-cut-off", _expected(setup)),),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Hold each switch 1.3 times the nominal cut-off; then one of every other axis, all at once."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 3.0))
        for axis in axes_under_test(setup):
            apply_loads(rig, [(axis.name, load_name(setup))])
            lines = trim_lines(setup.unit)
            with rig.capture(axis.name, _signals(setup, axis), sample_rate_hz=RATE_HZ, lines=lines) as session:
                play_touches(session, in_turn(lines_of(axis), first_s=LEAD_S, hold_s=_hold_s(axis), pause_s=PAUSE_S))
                session.wait_until(_duration_s(axis))
            drop_loads(rig, [axis.name])
        if besides := _besides(setup):
            self._hold_besides(rig, setup, besides)

    def _hold_besides(self, rig: Rig, setup: Setup, axes: Sequence[TrimAxis]) -> None:
        """Hold one switch of every other axis at once, nothing on their outputs: whether it has a cut-off at all."""
        need = _besides_need(setup, axes)
        with rig.capture(BESIDES, need.signals, sample_rate_hz=RATE_HZ, lines=need.lines) as session:
            held = [(axis.switches[0].name, LEAD_S + _hold_s(axis)) for axis in axes]
            play_touches(session, [Touch(switch=switch, closed_s=LEAD_S, opened_s=to_s) for switch, to_s in held])
            session.wait_until(need.duration_s)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the time of every switch, that it stays off while still held, and idle others."""
        for axis in axes_under_test(setup):
            record = Record(evidence, axis.name)
            for switch in axis.switches:
                yield from self._cut_off(record, setup, axis, switch)
            yield idle_observation(
                record,
                setup,
                others_than(setup, [axis]),
                f"{axis.name}.held-others-idle",
                f"{axis.title} held: moves its own output only",
                function=axis.function,
                pins=(axis.plus_pin, axis.minus_pin),
            )
        for axis in _besides(setup):
            yield from self._cut_off(Record(evidence, BESIDES), setup, axis, axis.switches[0])

    def _cut_off(self, record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Iterator[Result]:
        held = hold_of(record, axis, switch)
        stretches = () if held is None else _stretches(record, axis, held)
        doubts = _doubts(record, setup, axis, held)
        found = _time(record, axis, held, stretches, doubts)
        yield found.measurement(
            id=switch_id(switch, "cut-off"),
            limit="trim-cut-off",
            title=f"{axis.title} {seat_words(switch)}: held-switch cut-off",
            function=axis.function,
            quantity_unit="s",
            pins=(axis.plus_pin, axis.minus_pin, switch.pin),
            notes=("from half to half of the bus; the unit counts in steps of its own scan, which the value holds",),
        )
        yield Observation(
            id=switch_id(switch, "stays-off"),
            title=f"{axis.title} {seat_words(switch)}: stays off while still held",
            function=axis.function,
            statement="after the cut-off a held switch drives nothing",
            trials=1 if stretches else 0,
            failures=int(len(stretches) > 1),
            detail=f"drove {len(stretches)} times while held once",
            doubts=doubts or (() if stretches else found.doubts),
            captures=record.names,
            pins=(axis.plus_pin, axis.minus_pin),
        )


def _stretches(record: Record, axis: TrimAxis, held: Held) -> tuple[tuple[float, float], ...]:
    bus_v = record.mean("unit.voltage", held.pressed_s, held.released_s).value
    return record.driven(voltage_signal(axis.name), DRIVING_FRACTION * bus_v, held.pressed_s, held.released_s)


def _doubts(record: Record, setup: Setup, axis: TrimAxis, held: Held | None) -> tuple[Doubt, ...]:
    if held is None:
        return record.missing or (
            Doubt(reason=f"{record.name}: a switch was not pressed", cause=Cause.BENCH, next_step="run it again"),
        )
    span = (held.pressed_s, held.released_s)
    signals = ("unit.voltage", voltage_signal(axis.name))
    settled = held.pressed_s + SETTLED_S
    supply = supply_doubts(record, setup, CONDITION, settled, held.released_s)
    return (*record.doubts(signals, *span), *supply, *line_doubts(record, held))


def _time(
    record: Record,
    axis: TrimAxis,
    held: Held | None,
    stretches: tuple[tuple[float, float], ...],
    doubts: tuple[Doubt, ...],
) -> Estimate:
    """Return drive on to drive off; a drive that never ends within the hold is a proved fault of the unit."""
    if held is None or doubts:
        return nothing(*doubts)
    if not stretches:
        return nothing(
            Doubt(
                reason=f"{axis.title} did not drive although {held.switch.name} was held",
                cause=Cause.UNDECIDED,
                next_step="see trim-light: whether the switch drives the output at all",
            )
        )
    on_s, off_s = stretches[0]
    if off_s > held.released_s - 2.0 * FILTER_S:
        still_s = off_s - on_s
        return nothing(Doubt(reason=f"still driving after {still_s:.1f} s with the switch held", cause=Cause.UNIT))
    return _edge_to_edge(record, axis, held, on_s, off_s)


def _edge_to_edge(record: Record, axis: TrimAxis, held: Held, on_s: float, off_s: float) -> Estimate:
    """Return the time between the edges of one stretch of drive, each known to half a sample, clock included.

    A pulsed output ends with a pause, of which nobody can tell whether it still belongs to the drive: the longest
    pause seen is added to the bound of drive off.
    """
    capture = record.capture
    if capture is None:
        return nothing(*record.missing)
    first_s = max(0.0, on_s - BESIDE_S)
    bus_v = record.mean("unit.voltage", on_s, off_s).value
    output = np.abs(record.samples(voltage_signal(axis.name), first_s, off_s + BESIDE_S))
    high = np.flatnonzero(output >= EDGE_FRACTION * bus_v)
    if not high.size or high[-1] + 1 >= output.size:
        reason = f"{record.name}: {axis.title} does not cross half of the bus where its drive begins and ends"
        return nothing(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step="see trim-loaded: what it drives with"))
    rate_hz, before = capture.sample_rate_hz, capture.span(first_s, None).start
    pause_s = float(np.diff(high, prepend=high[0] - 1).max() - 1) / rate_hz
    half_s = 0.5 / rate_hz
    begin = bounded((before + float(high[0])) / rate_hz - half_s, half_s, f"{held.switch.name} drive on, one sample")
    end_s = (before + float(high[-1])) / rate_hz + half_s + 0.5 * pause_s
    end = bounded(end_s, half_s + 0.5 * pause_s, f"{held.switch.name} drive off, one sample")
    time = difference(end, begin)
    clock = bounded(0.0, capture.timebase_bound * time.value, "sample clock")
    found = total(time, clock)
    return Estimate(value=found.value, terms=found.terms, captures=record.names)


def _expected(setup: Setup) -> float:
    """Return the uncertainty of a cut-off of full duty: half a sample at either end, and the clock."""
    half_s = 0.5 / RATE_HZ
    ends = (bounded(0.0, half_s, "drive on"), bounded(0.0, half_s, "drive off"))
    return worst(*(total(timed(setup, axis.cut_off_s), *ends) for axis in axes_under_test(setup)))


def _besides(setup: Setup) -> tuple[TrimAxis, ...]:
    """Return the axes that are not under test: each has a cut-off of its own, which may be missing."""
    tested = {axis.name for axis in axes_under_test(setup)}
    return tuple(axis for axis in setup.unit.trims if axis.name not in tested)


def _besides_need(setup: Setup, axes: Sequence[TrimAxis]) -> CaptureNeed:
    outputs = tuple(voltage_signal(axis.name) for axis in axes)
    return CaptureNeed(
        name=BESIDES,
        signals=outputs,
        lines=trim_lines(setup.unit),
        sample_rate_hz=RATE_HZ,
        duration_s=LEAD_S + max(_hold_s(axis) for axis in axes) + PAUSE_S,
        highest_v=dict.fromkeys(("unit.voltage", *outputs), bus_voltage_v(setup)),
    )


def _signals(setup: Setup, axis: TrimAxis) -> tuple[str, ...]:
    return (*watched_signals(setup), f"{axis.name}.current")


def _hold_s(axis: TrimAxis) -> float:
    return HOLD_FACTOR * axis.cut_off_s


def _duration_s(axis: TrimAxis) -> float:
    return LEAD_S + len(axis.switches) * (_hold_s(axis) + PAUSE_S)
