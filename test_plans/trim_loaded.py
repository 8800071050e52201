"""Trim outputs at rated current on 9.0 ohm: drop of the bridge, motor current, difference of directions."""

import math
from collections.abc import Iterable, Iterator

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.power import Consistency, consistency_doubts
from analysis.uncertainty import Estimate, difference
from analysis.verdict import Cause
from test_plans.bench_agreement import SIGNALS, Agreement, agreement_in, agreement_observation, branch_check
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a
from test_plans.driving import LEAD_S, apply_loads, axes_under_test, bring_up, drop_loads, in_turn, play_touches
from test_plans.expected import reading, typical, worst
from test_plans.idle import idle_observation
from test_plans.model_gaps import without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, magnitude, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import axis_functions, load_name, trim_needs
from test_plans.trim_switches import (
    MOTION_V,
    drop_of,
    duty_doubts,
    hold_of,
    line_doubts,
    others_than,
    seat_words,
    switch_id,
    watched_signals,
)

RATE_HZ = 5000.0
HOLD_S = 0.5
PAUSE_S = 0.3
SETTLE_S = 0.15
LET_GO_S = 0.1  # off takes up to 60 ms
READ_AFTER_S = 0.3  # the supply is read while the switch is held and all is settled
CONDITION = "loaded"


class TrimLoaded:
    """Drop and current of every seat and direction."""

    name = "trim-loaded"
    title = "Trim outputs at rated current: drop, current, symmetry"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture per axis and the load."""
        axes = axes_under_test(setup)
        volts = bus_voltage_v(setup)
        captures = tuple(capture_need(setup, axis, axis.name, _duration_s(len(axis.switches))) for axis in axes)
        return trim_needs(
            setup,
            captures,
            volts=volts,
            condition=CONDITION,
            limit_a=current_limit_a(setup, CONDITION, 3.0),
            load=load_name(setup),
            limits=(
                ("trim-drop", expected_drop(setup)),
                ("trim-drop-difference", _expected_difference(setup)),
            ),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Press each switch once on the load, one axis after the other."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 3.0))
        for axis in axes_under_test(setup):
            press_on_load(rig, setup, axis, axis.name, axis.switches)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give drop and current of every switch, difference of the directions of every seat, and idle others."""
        for axis in axes_under_test(setup):
            record = Record(evidence, axis.name)
            for switch in axis.switches:
                yield from self._driven(record, setup, axis, switch)
            for one, other in _pairs(axis):
                yield self._directions(record, setup, axis, one, other)
            bench = [switch_agreement(record, setup, axis, switch) for switch in axis.switches]
            title = f"Bench: its figures agree with {axis.name} on its load"
            yield from agreement_observation(record, f"{axis.name}.loaded-bench", title, bench)
            yield lets_go_observation(record, axis, axis.switches, f"{axis.name}.loaded-lets-go")
            yield idle_observation(
                record,
                setup,
                others_than(setup, [axis]),
                f"{axis.name}.loaded-others-idle",
                f"{axis.title} on its load: moves its own output only",
                function=axis.function,
                pins=(axis.plus_pin, axis.minus_pin),
            )

    def _driven(self, record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Iterator[Result]:
        voltage, current = voltage_and_current(record, axis, switch)
        right = voltage.value * switch.polarity > 0.0
        known = math.isfinite(voltage.value)
        yield Observation(
            id=switch_id(switch, "polarity"),
            title=f"{axis.title} {seat_words(switch)}: polarity on its load",
            function=axis.function,
            statement=f"{'plus' if switch.polarity > 0 else 'minus'} pin positive",
            trials=int(known),
            failures=int(known and not right),
            detail=f"{voltage.value:.2f} V from plus to minus",
            doubts=voltage.doubts,
            captures=record.names,
            pins=(axis.plus_pin, axis.minus_pin),
        )
        yield drop_measurement(record, setup, axis, switch, switch_id(switch, "drop"))
        bench = switch_agreement(record, setup, axis, switch)
        yield doubted(magnitude(current), *bench.doubts).measurement(
            id=switch_id(switch, "current"),
            limit="",
            title=f"{axis.title} {seat_words(switch)}: motor current on its load",
            function=axis.function,
            quantity_unit="A",
            pins=(axis.plus_pin, axis.minus_pin),
        )
        yield self._branch(record, setup, axis, switch)

    def _branch(self, record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Observation:
        check = _branch_check(record, setup, axis, switch)
        return Observation(
            id=switch_id(switch, "load-consistency"),
            title=f"Bench: {axis.name} {seat_words(switch)}, current against V/R of the load",
            function="",
            statement="motor current is the voltage over the calibrated load",
            trials=0 if check.agrees is None else 1,
            failures=int(check.agrees is False),
            detail=f"differs by {check.residue.value:.4f} A",
            cause_if_failed=Cause.BENCH,
            next_step=f"measure the load of {axis.name}, and check its channels (bench-check)",
            doubts=check.residue.doubts,
            captures=record.names,
        )

    def _directions(
        self, record: Record, setup: Setup, axis: TrimAxis, one: TrimSwitch, other: TrimSwitch
    ) -> Measurement:
        drops = [loaded_drop(record, setup, axis, switch) for switch in (one, other)]
        return difference(drops[0], drops[1]).measurement(
            id=f"{axis.name}.{one.seat}.drop-difference",
            limit="trim-drop-difference",
            title=f"{axis.title}, {one.seat} seat: drop {one.direction} less drop {other.direction}",
            function=axis.function,
            quantity_unit="V",
            pins=(axis.plus_pin, axis.minus_pin),
        )


def press_on_load(rig: Rig, setup: Setup, axis: TrimAxis, name: str, switches: Iterable[TrimSwitch]) -> None:
    """Capture `name` while these switches are pressed one after the other with the axis on its load."""
    pressed = tuple(switches)
    apply_loads(rig, [(axis.name, load_name(setup))])
    lines = trim_lines(setup.unit)
    with rig.capture(name, capture_signals(setup, axis), sample_rate_hz=RATE_HZ, lines=lines) as session:
        for touch in in_turn([switch.name for switch in pressed], first_s=LEAD_S, hold_s=HOLD_S, pause_s=PAUSE_S):
            play_touches(session, (touch,))
            session.wait_until(touch.closed_s + READ_AFTER_S)
            rig.read_supply()
        session.wait_until(_duration_s(len(pressed)))
    drop_loads(rig, [axis.name])


def capture_signals(setup: Setup, axis: TrimAxis) -> tuple[str, ...]:
    """Return what a loaded capture holds: every output, the motor current, what shows that the bench agrees."""
    return (*SIGNALS, *watched_signals(setup), f"{axis.name}.current")


def capture_need(setup: Setup, axis: TrimAxis, name: str, duration_s: float) -> CaptureNeed:
    """Return what such a capture needs."""
    volts = bus_voltage_v(setup)
    return CaptureNeed(
        name=name,
        signals=capture_signals(setup, axis),
        lines=trim_lines(setup.unit),
        sample_rate_hz=RATE_HZ,
        duration_s=duration_s,
        highest_v={"supply.voltage": volts + 1.0, "unit.voltage": volts, voltage_signal(axis.name): volts}
        | {f"{axis.name}.current": 1.2 * axis.rated_current_a}
        | dict.fromkeys(("unit.current.high", "return.current"), conforming_a(setup, CONDITION)),
    )


def window_of(record: Record, axis: TrimAxis, switch: TrimSwitch) -> tuple[float, float] | None:
    """Return the steady stretch in which a switch was held; None where it never was."""
    held = hold_of(record, axis, switch)
    return None if held is None else (held.pressed_s + SETTLE_S, held.released_s)


def voltage_and_current(record: Record, axis: TrimAxis, switch: TrimSwitch) -> tuple[Estimate, Estimate]:
    """Return voltage and current of the output while a switch was held, with their signs."""
    window, held = window_of(record, axis, switch), hold_of(record, axis, switch)
    if window is None or held is None:
        unpressed = nothing(*(record.missing or (_not_pressed(record, switch),)))
        return unpressed, unpressed
    voltage = doubted(record.mean(voltage_signal(axis.name), *window), *line_doubts(record, held))
    return voltage, record.mean(f"{axis.name}.current", *window)


def loaded_drop(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Estimate:
    """Return the drop at the load's current, with every doubt that makes it something else than a drop."""
    window, held = window_of(record, axis, switch), hold_of(record, axis, switch)
    if window is None or held is None:
        return nothing(*(record.missing or (_not_pressed(record, switch),)))
    doubts = [
        *line_doubts(record, held),
        *duty_doubts(record, axis, *window, full_airspeed_kt=setup.unit.full_trim_airspeed_kt),
        *supply_doubts(record, setup, CONDITION, *window),
        *consistency_doubts([_branch_check(record, setup, axis, switch)]),
        *agreement_in(record, setup, *window).doubts,
    ]
    current = record.mean(f"{axis.name}.current", *window)
    return doubted(drop_of(record, axis, *window), *current.doubts, *doubts)


def drop_measurement(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch, id_: str) -> Measurement:
    """Return the drop of one switch as a measurement."""
    _, current = voltage_and_current(record, axis, switch)
    return loaded_drop(record, setup, axis, switch).measurement(
        id=id_,
        limit="trim-drop",
        title=f"{axis.title} {seat_words(switch)}: drop",
        function=axis.function,
        quantity_unit="V",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=(
            *((f"at {abs(current.value):.3f} A",) if math.isfinite(current.value) else ()),
            *switch_agreement(record, setup, axis, switch).notes,
        ),
    )


def lets_go_observation(record: Record, axis: TrimAxis, switches: Iterable[TrimSwitch], id_: str) -> Observation:
    """Return whether the loaded output came to rest after every release, in 5 ms means, and stayed so."""
    moved: list[str] = []
    doubts: list[Doubt] = list(record.missing)
    tried = 0
    for switch in switches:
        held = hold_of(record, axis, switch)
        if held is None:
            continue
        tried += 1
        window = (held.released_s + LET_GO_S, held.released_s + PAUSE_S - 0.01)
        left = record.largest(voltage_signal(axis.name), *window)
        doubts.extend((*left.doubts, *line_doubts(record, held)))
        if not abs(left.value) <= MOTION_V:
            moved.append(f"{left.value:.2f} V left after {switch.name}")
    return Observation(
        id=id_,
        title=f"{axis.title} on its load: lets go",
        function=axis.function,
        statement=f"idle {1000.0 * LET_GO_S:.0f} ms after every release",
        trials=tried,
        failures=len(moved),
        detail="; ".join(moved),
        doubts=tuple(dict.fromkeys(doubts)),
        captures=record.names,
        pins=(axis.plus_pin, axis.minus_pin),
    )


def switch_agreement(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Agreement:
    """Return whether the bench's figures agreed while a switch was held on the load."""
    window = window_of(record, axis, switch)
    return Agreement(unchecked=("the switch was not held",)) if window is None else agreement_in(record, setup, *window)


def expected_drop(setup: Setup) -> float:
    """Return the largest standard uncertainty that a drop will have, in V."""
    return worst(*(_expected_drop(setup, axis, polarity) for axis in axes_under_test(setup) for polarity in (1, -1)))


def _expected_difference(setup: Setup) -> float:
    """Return that of drop one way less drop the other way: the bus cancels, the output is read with either sign."""
    return worst(
        *(
            difference(_expected_drop(setup, axis, 1), _expected_drop(setup, axis, -1))
            for axis in axes_under_test(setup)
        )
    )


def _expected_drop(setup: Setup, axis: TrimAxis, polarity: int) -> Estimate:
    volts = bus_voltage_v(setup)
    output = reading(setup, voltage_signal(axis.name), polarity * (volts - typical(setup, "trim-drop")))
    return difference(reading(setup, "unit.voltage", volts), magnitude(output))


def _branch_check(record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch) -> Consistency:
    voltage, current = voltage_and_current(record, axis, switch)
    return branch_check(current, voltage, setup.bench.loads[axis.name][load_name(setup)], axis.name)


def _pairs(axis: TrimAxis) -> Iterator[tuple[TrimSwitch, TrimSwitch]]:
    """Yield the two directions of every seat."""
    for seat in dict.fromkeys(switch.seat for switch in axis.switches):
        pair = [switch for switch in axis.switches if switch.seat == seat]
        if len(pair) == 2:
            yield pair[0], pair[1]


def _not_pressed(record: Record, switch: TrimSwitch) -> Doubt:
    return Doubt(reason=f"{record.name}: {switch.name} was not pressed", cause=Cause.BENCH, next_step="run it again")


def _duration_s(n_switches: int) -> float:
    return LEAD_S + n_switches * (HOLD_S + PAUSE_S)
