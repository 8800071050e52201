"""What a capture of a running trim motor tells: when it was driven, what motor it is, and when it came to rest.

Voltages and currents are taken positive in the direction of the drive. That a drive has ended is seen by the current:
a motor that is not braked keeps its output's voltage up for seconds.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.measurement import Doubt
from analysis.motor import ChannelErrors, MotorFigures, Start, back_emf, motor_figures
from analysis.power import AGREES_WITHIN_U
from analysis.reading import at_channel, channel_terms
from analysis.uncertainty import Estimate, bounded, combined, difference, ratio, total
from analysis.verdict import Cause
from test_plans.readings import Record, doubted, nothing
from test_plans.sheets import MotorFacts, Setup, TrimAxis, TrimSwitch
from test_plans.signals import MOTOR, voltage_signal
from test_plans.trim_switches import HALF, LONGEST_PAUSE_S, Held, holds_of

FIT_S = 0.060  # about three mechanical time constants of a trim motor
RUNNING_S = 0.100  # at the end of a hold it runs evenly
REST_S = 0.010  # before a press
REST_V = 0.3
REST_A = 0.05
TURNS_FROM = 0.5  # of the voltage: a motor that runs has more back-EMF
NO_CURRENT = 0.1  # of what its resistance lets through: below there is no motor
STOPPED_PART = 0.1  # of its running speed
SMOOTH_S = 0.001

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One press with the motor behind it; instants in capture time, `ended_s` NaN while it drives on."""

    held: Held
    started_s: float
    ended_s: float
    bus: Estimate
    running_v: Estimate
    running_a: Estimate

    @property
    def tripped(self) -> bool:
        """Whether it stopped driving with its switch still closed."""
        return self.ended_s < self.held.released_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What a start told of the motor, or why it told nothing."""

    figures: MotorFigures | None
    stall_a: Estimate
    wrong: tuple[str, ...] = ()  # what is not as the bench sheet has it
    reason: str = ""  # why there are no figures


def driven(
    record: Record, axis: TrimAxis, sign: int, start_s: float, stop_s: float | None = None
) -> tuple[Samples, Samples]:
    """Return voltage and current of the output in the direction of the drive, each of shape (n,)."""
    volts = record.samples(voltage_signal(axis.name), start_s, stop_s)
    return sign * volts, sign * record.samples(f"{axis.name}.current", start_s, stop_s)


def run_of(record: Record, axis: TrimAxis, switch: TrimSwitch, *, nth: int = 0) -> Run | None:
    """Return what the n-th press of a switch made the motor do; None where it did not drive."""
    held = _hold(record, axis, switch, nth)
    if held is None or record.capture is None:
        return None
    started_s = first_driven_s(record, axis, switch.polarity, held.pressed_s)
    if started_s is None or started_s >= held.released_s:
        return None
    rate_hz, sign = record.capture.sample_rate_hz, switch.polarity
    volts = driven(record, axis, sign, started_s, held.released_s)[0]
    bus_v = float(np.median(record.samples("unit.voltage", started_s, held.released_s)))
    broken = _breaks_off(volts >= HALF * bus_v, round(LONGEST_PAUSE_S * rate_hz))
    driven_to_s = held.released_s if broken is None else started_s + broken / rate_hz
    running = (max(started_s, driven_to_s - RUNNING_S), driven_to_s)
    running_v, running_a = (_along(record.mean(name, *running), sign) for name in _signals(axis))
    ended_s = driven_to_s
    if broken is None:
        off = np.flatnonzero(driven(record, axis, sign, held.released_s)[1] < HALF * running_a.value)
        ended_s = held.released_s + (float(off[0]) - 0.5) / rate_hz if off.size else math.nan
    bus = record.mean("unit.voltage", started_s, min(driven_to_s, started_s + FIT_S))
    return Run(held=held, started_s=started_s, ended_s=ended_s, bus=bus, running_v=running_v, running_a=running_a)


def first_driven_s(record: Record, axis: TrimAxis, sign: int, from_s: float) -> float | None:
    """Return when the output first stood driven one way after an instant; None where it never did."""
    if record.capture is None:
        return None
    volts, bus = driven(record, axis, sign, from_s)[0], record.samples("unit.voltage", from_s)
    on = np.flatnonzero(volts >= HALF * bus) if volts.size == bus.size else np.empty(0)
    return from_s + (float(on[0]) - 0.5) / record.capture.sample_rate_hz if on.size else None


def peak(record: Record, signal: str, start_s: float, stop_s: float, *, sign: int = 1) -> Estimate:
    """Return the largest sample of a signal in a stretch, in one direction."""
    values = sign * record.samples(signal, start_s, stop_s)
    if record.capture is None or not values.size:
        return nothing(*record.missing)
    channel = record.capture.channels[signal]
    found = at_channel(channel, sign * float(values.max()), u_noise=channel.noise, capture=record.name)
    return doubted(_along(found, sign), *record.doubts((signal,), start_s, stop_s))


def known_by(record: Record, setup: Setup, axis: TrimAxis, run: Run | None) -> Known:
    """Return what a start tells of the motor, held against the bench sheet's."""
    facts = setup.bench.loads[axis.name][MOTOR].motor
    if run is None or facts is None or (reason := _unusable(record, axis, run)):
        return Known(figures=None, stall_a=nothing(), reason="it was not driven" if run is None else reason)
    start = _start(record, axis, run)
    most_a = float(start.current_a.max(initial=0.0))
    if most_a < NO_CURRENT * run.bus.value / facts.resistance_ohm:
        what = f"no motor takes current: {run.bus.value:.1f} V drive {most_a:.3f} A at most"
        return Known(figures=None, stall_a=nothing(), wrong=(what,))
    sign = run.held.switch.polarity
    try:
        figures = motor_figures(start, *(_errors(record, signal, sign) for signal in _signals(axis)))
    except ValueError as fault:
        return Known(figures=None, stall_a=nothing(), wrong=(str(fault),))
    early = (run.started_s, run.started_s + 0.25 * FIT_S)  # where it takes most
    volts, amps = (_along(record.mean(signal, *early), sign) for signal in _signals(axis))
    bridge = ratio(difference(record.mean("unit.voltage", *early), volts), amps)
    stall_a = ratio(run.bus, total(figures.resistance_ohm, bridge))
    return Known(figures=figures, stall_a=stall_a, wrong=tuple(_differences(figures, facts, run)))


def _unusable(record: Record, axis: TrimAxis, run: Run) -> str:
    """Say why a start tells nothing of its motor; "" where it does."""
    if not _rested(record, axis, run):
        return "it still turned from before"
    if run.tripped and run.started_s + FIT_S > run.ended_s:
        return "it was not driven long enough"
    fitted = (run.started_s, run.started_s + FIT_S)
    if (_start(record, axis, run).voltage_v < HALF * run.bus.value).any():
        return "it was driven with breaks"
    doubts = record.doubts(_signals(axis), *fitted)
    return doubts[0].reason if doubts else ""


def _start(record: Record, axis: TrimAxis, run: Run) -> Start:
    """Return the samples of a start, from the second one driven: the one at the edge may stand halfway."""
    rate_hz = 1.0 if record.capture is None else record.capture.sample_rate_hz
    first_s = run.started_s + 1.5 / rate_hz
    volts, amps = driven(record, axis, run.held.switch.polarity, first_s, run.started_s + FIT_S)
    return Start(
        voltage_v=volts,
        current_a=amps,
        sample_rate_hz=rate_hz,
        running_a=run.running_a.value,
        running_v=run.running_v.value,
        name=f"{record.name} {run.held.switch.name}",
    )


def inertia_of(facts: MotorFacts, axis: TrimAxis) -> Estimate:
    """Return the inertia that the bench sheet states, with its tolerance."""
    inertia = facts.inertia_kg_m2
    return bounded(inertia, facts.relative_bound * inertia, f"inertia of the motor of {axis.name}")


def load_doubts(axis: TrimAxis, known: Iterable[Known]) -> tuple[Doubt, ...]:
    """Return why what was seen on a motor says nothing of the unit: it is not the one it should be, or not known."""
    everything = tuple(known)
    if wrong := [words for entry in everything for words in entry.wrong]:
        reason = f"{axis.title}: the motor on the bench is not as its sheet says: {wrong[0]}"
        return (Doubt(reason=reason, cause=Cause.BENCH, next_step=f"check the motor of {axis.name} and its wiring"),)
    if any(entry.figures is not None for entry in everything):
        return ()
    reason = f"{axis.title}: no start shows which motor stands there ({everything[0].reason if everything else ''})"
    return (
        Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=f"measure the motor of {axis.name} at the bench's plug"),
    )


def stop_time(record: Record, axis: TrimAxis, run: Run, figures: MotorFigures, until_s: float) -> tuple[Estimate, bool]:
    """Return how long after the drive ended it turned faster than a tenth of its speed, and whether it stopped at all.

    Speed is seen by the back-EMF, the output's voltage less what the current drops in the motor.
    """
    if record.capture is None or math.isnan(run.ended_s):
        return nothing(), False
    rate_hz, sign = record.capture.sample_rate_hz, run.held.switch.polarity
    volts, amps = driven(record, axis, sign, run.ended_s, until_s)
    length = round(SMOOTH_S * rate_hz)
    n = volts.size // length
    if n < 2:
        return nothing(), False
    emf = back_emf(volts, amps, rate_hz, figures)[: n * length].reshape(n, length).mean(axis=1)
    running_v = run.running_v.value - figures.resistance_ohm.value * run.running_a.value
    fast = np.flatnonzero(np.abs(emf) > STOPPED_PART * running_v)
    blocks = int(fast[-1]) + 1 if fast.size else 0
    value_s = blocks * SMOOTH_S
    found = stopped_after(value_s, rate_hz, f"{record.name} {run.held.switch.name}")
    return replace(found, captures=record.names), blocks < n


def stopped_after(value_s: float, rate_hz: float, where: str) -> Estimate:
    """Return how long a motor turned on, with its budget: speed is looked at in means, the drive ends at a sample."""
    inputs = (
        bounded(0.0, SMOOTH_S, f"{where}: speed in 1 ms means"),
        bounded(0.0, 1.0 / rate_hz, f"{where}: end of the drive"),
    )
    return combined(value_s, ((part, 1.0) for part in inputs))


def _differences(figures: MotorFigures, facts: MotorFacts, run: Run) -> Iterator[str]:
    """Yield what differs from the bench sheet by more than its tolerance and 3 u."""
    running_v = run.running_v.value - figures.resistance_ohm.value * run.running_a.value
    if running_v < TURNS_FROM * run.running_v.value:
        yield f"it does not turn: {run.running_a.value:.2f} A flow on and its back-EMF stays at {running_v:.2f} V"
        return
    stated_a = facts.constant_v_s**2 / facts.inertia_kg_m2
    for what, found, stated, tolerance, unit in (
        ("resistance", figures.resistance_ohm, facts.resistance_ohm, facts.relative_bound, "ohm"),
        (
            "electrical time constant",
            figures.electrical_s,
            facts.inductance_h / facts.resistance_ohm,
            2.0 * facts.relative_bound,
            "s",
        ),
        # k^2 / J: of the constant twice its tolerance, and the inertia's
        (
            "back-EMF by current and time",
            figures.acceleration_v_per_a_s,
            stated_a,
            3.0 * facts.relative_bound,
            "V/(A s)",
        ),
    ):
        allowed = tolerance * stated + AGREES_WITHIN_U * found.standard_uncertainty
        if not abs(found.value - stated) <= allowed:
            yield f"{what} {found.value:.4g} {unit} where {stated:.4g} {unit} +/- {100.0 * tolerance:.0f} % is stated"


def _errors(record: Record, signal: str, sign: int) -> ChannelErrors:
    if record.capture is None:
        raise ValueError(f"{record.name}: no capture to read {signal} from")
    channel = record.capture.channels[signal]
    gain, zero = channel_terms(channel, 1.0)
    return ChannelErrors(gain=gain, zero=replace(zero, sensitivity=sign * zero.sensitivity), noise=channel.noise)


def _hold(record: Record, axis: TrimAxis, switch: TrimSwitch, nth: int) -> Held | None:
    """Return the n-th stretch in which a switch was held; None where there is none."""
    held = [entry for entry in holds_of(record, axis) if entry.switch is switch]
    return held[nth] if nth < len(held) else None


def _breaks_off(on: NDArray[np.bool_], longest: int) -> int | None:
    """Return the sample at which a drive breaks off, for longer than a pulsed one pauses; None where it does not."""
    driven_at = np.flatnonzero(on)
    pauses = np.diff(driven_at, append=on.size)
    ends = np.flatnonzero(pauses > longest)
    return int(driven_at[ends[0]]) + 1 if ends.size else None


def _rested(record: Record, axis: TrimAxis, run: Run) -> bool:
    before = (max(0.0, run.held.pressed_s - REST_S), run.held.pressed_s)
    volts, amps = driven(record, axis, 1, *before)
    return bool(volts.size) and bool(abs(volts.mean()) < REST_V) and bool(abs(amps.mean()) < REST_A)


def _along(estimate: Estimate, sign: int) -> Estimate:
    return combined(sign * estimate.value, ((estimate, float(sign)),))


def _signals(axis: TrimAxis) -> tuple[str, str]:
    return voltage_signal(axis.name), f"{axis.name}.current"
