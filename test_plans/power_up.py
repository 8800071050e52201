"""Careful power-up: 5 V/s at a low current limit, loads off; outputs stay idle, then the unit is awake and ready."""

from collections.abc import Iterable

import numpy as np

from analysis.edges import find_edges
from analysis.measurement import Curve, Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, bounded, combined, difference, scaled, total
from analysis.verdict import Cause
from test_plans.bench_agreement import agreement_in
from test_plans.bench_channels import unproved
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a, number
from test_plans.driving import POWER_UP_RATE_V_PER_S
from test_plans.expected import reading, typical, worst
from test_plans.idle import wiper_doubts
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import FILTER_S, Record, doubted, nothing
from test_plans.receive_line import LINE, foreign_bursts_s
from test_plans.reported_settings import setting_observations
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup, UnitSheet
from test_plans.signals import function_named, idle_outputs, idle_signals, output_facts, voltage_signal
from test_plans.silence import HEARD_WITHIN_S, READY_ID
from test_plans.switch_lines import stray_doubts, watched_lines

RATE_HZ = 1000.0
BEFORE_S = 0.1
AFTER_S = 2.2
LATE = "late"
LATE_S = 3.0  # more, for a unit that has not reported by then
QUIESCENT_S = 1.0
CROSSING_HYSTERESIS_V = 0.1
CONDITION = "power-up"
PLOTTED_POINTS = 400


class PowerUp:
    """Power-up at a reduced limit: quiescent current, idle outputs, ready time, identity of the configuration."""

    name = "power-up"
    title = "Power-up with loads off"
    conditions = ("voltage_v", "current_limit_a", "ramp_rate_v_per_s")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input and every function whose outputs are watched at power-up: only the power input counts.

        That an output stays idle does not test its function.
        """
        return (function_named(setup.unit, "power"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its one capture over ramp and two seconds after."""
        voltage_v = bus_voltage_v(setup)
        duration_s = BEFORE_S + voltage_v / _rate(setup) + AFTER_S
        unit = setup.unit
        return Needs(
            bench_time_s=duration_s + 1.0,
            captures=(
                CaptureNeed(
                    name="start",
                    signals=_signals(unit),
                    lines=watched_lines(unit),
                    sample_rate_hz=RATE_HZ,
                    duration_s=duration_s,
                    highest_v={"unit.voltage": voltage_v, "supply.voltage": voltage_v},
                ),
            ),
            highest_voltage_v=voltage_v,
            supply_current_a=conforming_a(setup, CONDITION),
            current_limit_a=_limit_a(setup),
            paths=(SupplyPath.RUN.value,),
            bus=True,
            limits=(
                ("quiescent-current", expected_quiescent(setup)),
                ("idle-output", _expected_idle(setup)),
                *((("ready-time", _expected_ready(setup)),) if unit.bus.reports else ()),
            ),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Ramp up with everything idle; leave the unit powered, airspeed coming."""
        unit = setup.unit
        rig.idle_inputs()
        rig.arm(False)
        for output in (*(axis.name for axis in unit.trims), *(watched.name for watched in unit.outputs)):
            if output in setup.bench.loads:
                rig.set_load(output, "open")
        rig.set_supply(0.0, _limit_a(setup))
        rig.connect(SupplyPath.RUN)
        rig.set_output(True)
        lines = watched_lines(unit)
        with rig.capture("start", _signals(unit), sample_rate_hz=RATE_HZ, lines=lines) as session:
            session.wait_until(BEFORE_S)
            rig.start_airspeed(setup.plan.airspeed_kt)
            rig.ramp_supply(bus_voltage_v(setup), rate_v_per_s=_rate(setup))
            session.note(arrived=True)
            session.wait_until(session.now_s + AFTER_S)
            rig.read_supply()

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give quiescent current, idle outputs, ready time, configuration, resets."""
        record = Record(evidence, "start")
        yield self._quiescent(record, setup)
        for name in idle_outputs(setup.unit):
            yield self._idle(record, setup, name)
        if setup.unit.bus.reports:  # without reports nothing tells when the unit was ready
            yield self._ready(record, evidence, setup)
        yield from self._identity(record, setup)
        yield self._curve(record, setup)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Wait longer for a unit that has not reported yet: a late one is late, a silent one is silent."""
        heard = evidence.has("start") and Record(evidence, "start").reports()
        if heard or not setup.unit.bus.reports or evidence.has(LATE):
            return False
        with rig.capture(LATE, ("supply.voltage",), sample_rate_hz=RATE_HZ, lines=(LINE,)) as session:
            session.wait_until(LATE_S)
        return True

    def _quiescent(self, record: Record, setup: Setup) -> Measurement:
        return quiescent(record, setup, CONDITION, "power-up.quiescent", "Quiescent current, awake, all outputs off")

    def _idle(self, record: Record, setup: Setup, name: str) -> Measurement:
        function, title, pins = output_facts(setup.unit, name)
        return record.largest(voltage_signal(name)).measurement(
            id=f"power-up.idle.{name}",
            limit="idle-output",
            title=f"{title}: idle while the unit starts",
            function=function,
            quantity_unit="V",
            pins=pins,
            doubts=(*_closed_lines(record), *wiper_doubts(record, setup, (name,))),
            notes=("largest 5 ms mean from switch-on to 2 s after the ramp", *unproved(setup, (name,))),
        )

    def _ready(self, record: Record, evidence: Evidence, setup: Setup) -> Measurement:
        lowest_v = setup.unit.lowest_voltage_v
        begin, first = _passed(record, lowest_v), _first_report(record, evidence)
        deaf = _unheard(record)
        if first is None:
            silent = Doubt(
                reason="no report of the unit on the avionics bus since it was powered",
                cause=Cause.UNDECIDED,
                next_step="check the bus lines and their termination, then put a known good unit on the bench",
            )
            value = nothing(*(record.missing or deaf or (silent,)))
        else:
            value = doubted(difference(first, begin), *record.doubts(("unit.voltage",)), *deaf)
        early = value.value < 0.0
        return value.measurement(
            id=READY_ID,
            limit="ready-time",
            title=f"Ready time from {lowest_v:g} V at the pins to the first report",
            function=function_named(setup.unit, "power"),
            quantity_unit="s",
            pins=(setup.unit.power_pin,),
            notes=(f"the first report came before the slow ramp passed {lowest_v:g} V",) if early else (),
        )

    def _identity(self, record: Record, setup: Setup) -> Iterable[Observation]:
        function = function_named(setup.unit, "power")
        if "configuration" in setup.unit.bus.reports:
            title = "Configuration as the aircraft needs it"
            yield configuration(record, setup, "power-up.configuration", title, "as found")
        yield from setting_observations(record, setup, "power-up", "as found")
        if "reset-count" in setup.unit.bus.reports:
            first, last = record.count("reset-count"), record.count("reset-count", last=True)
            yield Observation(
                id="power-up.no-reset",
                title="No reset after the start",
                function=function,
                statement="the reset count stays as it is once the unit reports",
                trials=0 if first is None else 1,
                failures=int(first != last),
                detail=f"reset count went from {first} to {last}",
                doubts=record.missing or ((_unreported("reset count"),) if first is None else ()),
                captures=record.names,
                notes=() if last is None else (f"reset count as found: {last}",),
            )

    def _curve(self, record: Record, setup: Setup) -> Curve:
        voltage, current = record.smoothed("unit.voltage"), record.smoothed("unit.current")
        step = max(1, voltage.size // PLOTTED_POINTS)
        times = tuple(float(t) for t in (np.arange(voltage.size) * 0.005)[::step])
        return Curve(
            id="power-up.start",
            title="Power-up: voltage and current at the unit",
            function=function_named(setup.unit, "power"),
            x_label="time, s",
            y_label="V at the pins, A times 10",
            series={
                "voltage": (times, tuple(float(v) for v in voltage[::step])),
                "current x 10": (times, tuple(10.0 * float(a) for a in current[::step])),
            },
            capture=record.name if record.capture else "",
        )


def expected_quiescent(setup: Setup) -> float:
    """Return the standard uncertainty that a quiescent current will have, in A."""
    return reading(setup, "unit.current", typical(setup, "quiescent-current")).standard_uncertainty


def _expected_idle(setup: Setup) -> float:
    level_v, samples = typical(setup, "idle-output"), round(FILTER_S * RATE_HZ)
    return worst(*(reading(setup, signal, level_v, samples=samples) for signal in idle_signals(setup.unit)))


def _expected_ready(setup: Setup) -> float:
    """Return the uncertainty of a ready time: when the host had the frame, when the rising bus passed its level."""
    passed = scaled(reading(setup, "unit.voltage", setup.unit.lowest_voltage_v), 1.0 / _rate(setup))
    return total(passed, bounded(0.0, setup.bench.report_time_bound_s, "first frame")).standard_uncertainty


def quiescent(record: Record, setup: Setup, condition: str, id_: str, title: str) -> Measurement:
    """Return the mean current over the last second of a capture, outputs off.

    Where the supply limits although its limit is adequate, the current itself says whose doing it is. Where the
    bench's own figures contradict each other it is the bench's.
    """
    start_s = max(0.0, record.duration_s - QUIESCENT_S)
    bench = agreement_in(record, setup, start_s)
    current = record.mean("unit.current", start_s)
    doubts = [doubt for doubt in supply_doubts(record, setup, condition, start_s) if doubt.cause is Cause.BENCH]
    return doubted(current, *doubts, *bench.doubts).measurement(
        id=id_,
        limit="quiescent-current",
        title=title,
        function=function_named(setup.unit, "power"),
        quantity_unit="A",
        pins=(setup.unit.power_pin,),
        notes=bench.notes,
    )


def configuration(record: Record, setup: Setup, id_: str, title: str, when: str) -> Observation:
    """Return whether the unit last reported the configuration that the aircraft needs; `when` is "as found", "as left".

    A unit that did not report it is undecided, whoever asks.
    """
    found = record.count("configuration", last=True)
    wanted = setup.aircraft.configuration
    return Observation(
        id=id_,
        title=title,
        function=function_named(setup.unit, "power"),
        statement=f"the unit reports configuration {wanted}",
        trials=int(found is not None),
        failures=int(found not in {None, wanted}),
        detail=f"it reports configuration {found}",
        source=f"aircraft sheet {setup.aircraft.name}",
        doubts=record.missing or ((_unreported("configuration"),) if found is None else ()),
        captures=record.names,
        notes=() if found is None else (f"configuration {when}: {found}",),
    )


def _passed(record: Record, level_v: float) -> Estimate:
    """Return when the rising supply passed a level at the unit's pins."""
    values = record.samples("unit.voltage")
    edges = find_edges(values, level_v - CROSSING_HYSTERESIS_V, level_v)
    rising = edges.positions[edges.rising]
    if not rising.size or record.capture is None:
        return nothing(
            *(
                record.missing
                or (
                    Doubt(
                        reason=f"the supply did not bring the unit's pins to {level_v:g} V",
                        cause=Cause.UNDECIDED,
                        next_step="see whether the supply limits current, and what draws it",
                    ),
                )
            )
        )
    at_s = float(rising[0]) / record.capture.sample_rate_hz
    fit = record.fit("unit.voltage", at_s, 0.05)
    slope = max(abs(fit.slope_per_s), 1e-3)
    shift_s = (level_v - fit.value.value) / slope
    return combined(at_s + shift_s, ((fit.value, -1.0 / slope),))


def _first_report(record: Record, evidence: Evidence) -> Estimate | None:
    """Return when the host had the unit's first frame, in the time of the first capture; None where it had none."""
    for heard in (record, *((Record(evidence, LATE),) if evidence.has(LATE) else ())):
        reports = heard.reports()
        if reports and record.capture is not None and heard.capture is not None:
            at_s = heard.capture.start_s - record.capture.start_s + reports[0].time_s
            return bounded(at_s, reports[0].uncertainty_s, "time the host had the first frame")
    return None


def _unheard(record: Record) -> tuple[Doubt, ...]:
    """Return the doubt that the receive line showed the unit's frames before the host had the first of them."""
    bursts_s = None if record.capture is None else foreign_bursts_s(record.capture)
    reports = record.reports()
    heard_s = reports[0].time_s if reports else record.duration_s
    if bursts_s is None or not (ahead := int(np.count_nonzero(bursts_s < heard_s - HEARD_WITHIN_S))):
        return ()
    reason = f"{record.name}: {ahead} bursts that are not the bench's own stood on the receive line before any report"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step="check the bus interface, then run it again"),)


def _closed_lines(record: Record) -> tuple[Doubt, ...]:
    """Return the doubt that a switch line stands closed; a unit without power may pull its own pins down."""
    arrived = record.notes("arrived")
    return stray_doubts(record, arrived[0][0]) if arrived else ()


def _unreported(what: str) -> Doubt:
    return Doubt(
        reason=f"the unit did not report its {what}",
        cause=Cause.UNDECIDED,
        next_step="check that reports come at all (ready time)",
    )


def _signals(unit: UnitSheet) -> tuple[str, ...]:
    wipers = tuple(voltage_signal(rheostat.name) for rheostat in unit.rheostats)
    return ("supply.voltage", "unit.voltage", "unit.current", "return.current", *idle_signals(unit), *wipers)


def _rate(setup: Setup) -> float:
    return number(setup, "ramp_rate_v_per_s", POWER_UP_RATE_V_PER_S)


def _limit_a(setup: Setup) -> float:
    return current_limit_a(setup, CONDITION, 0.5)
