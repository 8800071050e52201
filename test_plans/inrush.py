"""Hard switch-on: the charge the unit takes from a stiff bus, and the capacitance that speaks of.

The bus switch closes through a small resistor that bounds the peak; the resistor is the bench's, so the peak is not the
unit's and is not judged. Charge is the integral of the current less its zero before, from the closing on; over the rise
of the voltage at the pins until then it is a capacitance (C = Q / V). What the unit draws when all is settled it may
have drawn in all of that time or in none.
"""

import math
from collections.abc import Iterable

import numpy as np

from analysis.measurement import Curve, Doubt, Result
from analysis.power import leads_agree
from analysis.reading import at_channel
from analysis.uncertainty import Estimate, bounded, combined, difference, ratio, total
from analysis.verdict import Cause
from test_plans.bench_agreement import expected_leads
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a
from test_plans.driving import READY_WAIT_S
from test_plans.expected import reading, typical
from test_plans.hold_up import CURRENT
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import BUS_SWITCH, Rig, SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import function_named
from test_plans.switch_lines import watched_lines

RATE_HZ = 50_000.0
CLOSE_S = 0.3
WINDOW_S = 0.007  # five time constants of the path and the usual capacitance; the rise counts as far as it came
READ_S = 1e-4  # the voltage is read about the window's end
SETTLED_S = 0.1
DISCHARGE_S = 4.0  # of the unit through the bench's bleed
EMPTY_V = 1.0
CONDITION = "power-up"
CAPTURE = "switch-on"
LIMIT = "input-capacitance"
AT_SUPPLY = "supply.voltage"
SIGNALS = ("unit.voltage", AT_SUPPLY, CURRENT)
LATE_S = 0.0005  # after what the bench sheet says: a bus switch later than that cuts the window short
FLOWS_A = 0.5  # through a path that has made
APART = 3  # samples without current, after which more flows than noise could show
CHARGES_S = 0.002  # with that much current that the drop of the path shows
PLOTTED_S = 0.010
PLOTTED_POINTS = 300


class Inrush:
    """Charge and capacitance at a hard switch-on."""

    name = "inrush"
    title = "Hard switch-on: charge and input capacitance"
    conditions = ("voltage_v", "current_limit_a")
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model is left out: its sheet limits no input capacitance."""
        if LIMIT in setup.unit.limits:
            return None
        return NotForModel(reason=f"the sheet of model {setup.unit.model} limits no input capacitance")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function."""
        return (function_named(setup.unit, "power"),)

    def needs(self, setup: Setup) -> Needs:
        """Return one fast capture about the closing."""
        volts = bus_voltage_v(setup)
        return Needs(
            bench_time_s=_duration_s() + DISCHARGE_S + READY_WAIT_S + 1.0,
            captures=(
                CaptureNeed(
                    name=CAPTURE,
                    signals=SIGNALS,
                    lines=watched_lines(setup.unit),
                    sample_rate_hz=RATE_HZ,
                    duration_s=_duration_s(),
                    highest_v={"unit.voltage": volts, AT_SUPPLY: volts, CURRENT: _peak_a(setup)},
                ),
            ),
            highest_voltage_v=volts,
            supply_current_a=conforming_a(setup, CONDITION),
            current_limit_a=_limit_a(setup),
            paths=(SupplyPath.RUN.value, SupplyPath.HARD.value),
            bus=bool(setup.unit.bus.reports),
            limits=((LIMIT, _expected(setup)),),
            untested=("peak of a hard switch-on: a resistor bounds it, and no capacitor bank stands ahead of it",),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Have the unit discharged, the supply standing, then close the bus switch; go on with the usual path."""
        volts = bus_voltage_v(setup)
        rig.idle_inputs()
        rig.arm(False)
        rig.connect(SupplyPath.OPEN)
        rig.set_output(False)
        rig.wait(DISCHARGE_S)
        rig.set_supply(volts, _limit_a(setup))
        rig.set_output(True)
        rig.hold_contactor()
        rig.wait(0.2)
        with rig.capture(CAPTURE, SIGNALS, sample_rate_hz=RATE_HZ, lines=watched_lines(setup.unit)) as session:
            session.switch_bus(SupplyPath.HARD, at_s=CLOSE_S)
            session.wait_until(_duration_s())
        rig.connect(SupplyPath.RUN)
        rig.start_airspeed(setup.plan.airspeed_kt)
        rig.wait(READY_WAIT_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the capacitance, with charge and peak beside it."""
        record = Record(evidence, CAPTURE)
        function = function_named(setup.unit, "power")
        closed_s = _closed_s(record)
        charge = _charge(record, closed_s)
        rise = _rise(record, closed_s)
        doubts = (*_switch_doubts(record, setup, closed_s), *_doubts(record, closed_s))
        capacitance = doubted(ratio(charge, rise), *_settled(doubts))
        peak_a = float(record.samples(CURRENT, closed_s, closed_s + WINDOW_S).max(initial=0.0))
        yield capacitance.measurement(
            id="inrush.capacitance",
            limit=LIMIT,
            title="Hard switch-on: input capacitance",
            function=function,
            quantity_unit="F",
            pins=(setup.unit.power_pin, setup.unit.power_ground_pin),
            notes=(
                f"{1e3 * charge.value:.1f} mC over {rise.value:.2f} V",
                f"the peak of {peak_a:.1f} A is bounded by the bench's {_path_ohm(setup):g} ohm and is not judged",
            ),
        )
        yield _picture(record, setup, closed_s)


def _closed_s(record: Record) -> float:
    """Return when the switch was told to close, capture time."""
    if record.capture is None:
        return CLOSE_S
    told = [event.time_s for event in record.capture.events_of("stimulus") if event.fields.get("line") == BUS_SWITCH]
    return told[0] if told else CLOSE_S


def _charge(record: Record, closed_s: float) -> Estimate:
    """Return the charge into the capacitor, in C: both ends of the window to half a sample of what flowed there."""
    capture = record.capture
    if capture is None or not record.holds(CURRENT):
        return nothing(*record.missing)
    stop_s = closed_s + WINDOW_S
    amps = record.samples(CURRENT, closed_s, stop_s)
    if not amps.size:
        return nothing(*record.doubts((CURRENT,), closed_s, stop_s))
    zero = record.mean(CURRENT, closed_s - 0.1, closed_s - 0.001)
    drawn_a = abs(record.mean(CURRENT, record.duration_s - SETTLED_S, record.duration_s).value)
    channel = capture.channels[CURRENT]
    noise_a = channel.noise / math.sqrt(amps.size)  # the course is no noise
    read = at_channel(channel, float(amps.mean()), u_noise=noise_a, name=f"{CURRENT} noise after the closing")
    flowed = difference(doubted(read, *record.doubts((CURRENT,), closed_s, stop_s)), zero)  # its offset goes
    window_s = amps.size / capture.sample_rate_hz
    own = bounded(0.5 * drawn_a * window_s, 0.5 * drawn_a * window_s, "what the unit itself draws meanwhile")
    edge = bounded(0.0, float(amps.max()) / capture.sample_rate_hz, "instant of the closing, one sample")
    clock = bounded(0.0, capture.timebase_bound * window_s * abs(flowed.value), "sample clock")
    return combined(flowed.value * window_s - own.value, ((flowed, window_s), (own, -1.0), (edge, 1.0), (clock, 1.0)))


def _rise(record: Record, closed_s: float) -> Estimate:
    stop_s = closed_s + WINDOW_S
    return difference(
        record.mean("unit.voltage", stop_s - 0.002, stop_s),
        record.mean("unit.voltage", closed_s - 0.1, closed_s - 0.001),
    )


def _doubts(record: Record, closed_s: float) -> tuple[Doubt, ...]:
    """Return why the charge says nothing of the unit: not empty before, cut by a limit, or a bus that did not rise."""
    if record.capture is None:
        return record.missing
    found = list(record.doubts(("unit.voltage", CURRENT), closed_s - 0.1))
    before_v = record.mean("unit.voltage", closed_s - 0.1, closed_s - 0.001).value
    if abs(before_v) > EMPTY_V:
        reason = f"{record.name}: {before_v:.2f} V stood at the pins before the switch closed"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step="check the bleed and the bus switch"))
    after_v = record.mean("unit.voltage", closed_s + WINDOW_S, record.duration_s).value
    set_v = record.setting("set_voltage_v")
    if not after_v > 0.95 * set_v:
        reason = f"{record.name}: the bus came up to {after_v:.2f} V only, {set_v:.2f} V was set"
        step = "check the bus switch, the contactor and the supply's limit with the unit unplugged"
        found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=step))
    peak_a = float(record.samples(CURRENT, closed_s, closed_s + WINDOW_S).max(initial=0.0))
    if peak_a >= 0.97 * record.setting("current_limit_a"):
        reason = f"{record.name}: the supply limited at {record.setting('current_limit_a'):.1f} A"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step="give the step a higher current-limit"))
    return tuple(dict.fromkeys(found))


def _switch_doubts(record: Record, setup: Setup, closed_s: float) -> tuple[Doubt, ...]:
    """Return the bench's doubts about its own bus switch: late, coming apart again, or of another resistance.

    What drops between the supply's terminals and the pins against the current through it tells the path's resistance,
    whatever the unit draws.
    """
    amps = record.samples(CURRENT, closed_s, closed_s + WINDOW_S)
    if record.capture is None or not amps.size or not record.holds(AT_SUPPLY):
        return ()
    rate_hz, facts = record.capture.sample_rate_hz, setup.bench
    found = []
    flows = np.flatnonzero(amps > FLOWS_A)
    late_s = float(flows[0]) / rate_hz if flows.size else 0.0
    if late_s > facts.switch_break_s + LATE_S:
        found.append(f"the bus switch made {1e3 * late_s:.1f} ms after it was told to")
    if any(amps[at : at + APART].max() > 2.0 * FLOWS_A for at in flows[1:][np.diff(flows) > APART]):
        found.append("the bus switch came apart again after it had made")
    elif not found:
        begin_s = closed_s + late_s
        supply, pins, current = (
            record.mean(signal, begin_s, begin_s + CHARGES_S) for signal in (AT_SUPPLY, "unit.voltage", CURRENT)
        )
        hard_ohm = facts.path_resistance_ohm.get(SupplyPath.HARD.value, 0.0)
        tolerance_ohm = facts.path_resistance_bound.get(SupplyPath.HARD.value, 0.0) * hard_ohm
        path = total(expected_leads(facts), bounded(hard_ohm, tolerance_ohm, f"path {SupplyPath.HARD.value}"))
        if leads_agree(supply, pins, current, path).agrees is False:
            found.append(
                f"{supply.value - pins.value:.2f} V drop over the path at {current.value:.2f} A, "
                f"{current.value * path.value:.2f} V belong to its {path.value:.3f} ohm"
            )
    step = "check the bus switch and the resistor of its hard path"
    return tuple(Doubt(reason=f"{record.name}: {said}", cause=Cause.BENCH, next_step=step) for said in found)


def _settled(doubts: tuple[Doubt, ...]) -> tuple[Doubt, ...]:
    """Return only the bench's doubts where it has any: what a bad switch leaves open is no riddle any more."""
    of_bench = tuple(doubt for doubt in doubts if doubt.cause is Cause.BENCH)
    return of_bench or doubts


def _picture(record: Record, setup: Setup, closed_s: float) -> Curve:
    series: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
    if record.capture is not None:
        for name, signal in (("bus, V", "unit.voltage"), ("input current, A", CURRENT)):
            values = record.samples(signal, closed_s - 0.001, closed_s + PLOTTED_S)
            step = max(1, values.size // PLOTTED_POINTS)
            times = 1e3 * (np.arange(values.size) / record.capture.sample_rate_hz - 0.001)
            series[name] = (tuple(times[::step].tolist()), tuple(values[::step].tolist()))
    return Curve(
        id="inrush.course",
        title="Hard switch-on",
        function=function_named(setup.unit, "power"),
        x_label="time, ms",
        y_label="V, A",
        series=series,
        capture=record.name if record.capture else "",
    )


def _expected(setup: Setup) -> float:
    """Return the uncertainty of a capacitance."""
    volts, held_f = bus_voltage_v(setup), typical(setup, LIMIT)
    mean_a = held_f * volts / WINDOW_S
    flowed = difference(reading(setup, CURRENT, mean_a), reading(setup, CURRENT, 0.0))
    edge = bounded(0.0, _peak_a(setup) / RATE_HZ, "closing")
    drawn_a = conforming_a(setup, CONDITION)
    own = bounded(0.0, 0.5 * drawn_a * WINDOW_S, "what the unit itself draws meanwhile")
    charge = combined(held_f * volts, ((flowed, WINDOW_S), (own, 1.0), (edge, 1.0)))
    rise = difference(reading(setup, "unit.voltage", volts), reading(setup, "unit.voltage", 0.0))
    return ratio(charge, rise).standard_uncertainty


def _path_ohm(setup: Setup) -> float:
    return setup.bench.path_resistance_ohm.get(SupplyPath.HARD.value, 0.5)


def _peak_a(setup: Setup) -> float:
    return bus_voltage_v(setup) / _path_ohm(setup)


def _limit_a(setup: Setup) -> float:
    return current_limit_a(setup, "hard-switch-on", 1.5 * _peak_a(setup))


def _duration_s() -> float:
    return CLOSE_S + WINDOW_S + 0.05 + SETTLED_S
