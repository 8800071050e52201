"""Panel dimming under load: each output at full travel unloaded, at its rated load, shorted and let go again.

All others are watched meanwhile. Currents are read as volts across the calibrated resistors. Levels are means, as a
lamp sees them.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from analysis.measurement import Doubt, Measurement, Result
from analysis.reading import at_channel
from analysis.uncertainty import Estimate, bounded, combined, difference
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, conforming_a, number
from test_plans.dimming_bench import dimming_function, drive_all, highest_v, outputs_of, signals_of
from test_plans.dimming_expected import mean_at_full
from test_plans.dimming_levels import is_pwm, relative_percent, worst_of
from test_plans.dimming_positions import rated_position, short_position
from test_plans.driving import bring_up
from test_plans.expected import as_current, load_of, reading, typical, worst
from test_plans.model_gaps import without_dimming
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import DimmingOutput, Setup
from test_plans.signals import voltage_signal

RATE_HZ = 50_000.0
CONDITION = "dimming-load"
PHASES = ("before", "rated", "between", "short", "after")
PHASE_S = 0.25
SHORT_S = 1.0  # unless the step's condition `hold` says otherwise
SETTLE_S = 0.05
PHASE_NOTE = "dimming_phase"
OUTER_PERCENT = 0.1  # of the samples at either end that a peak-to-peak value leaves out
RIPPLE_HZ = RATE_HZ / 10.0
MISSED_PART = 1.0 - math.cos(math.pi / 10.0)  # of a sine's peak that ten samples a period can miss
NOISE_SIGMAS = 3.0  # what noise adds to a peak-to-peak value: this many sigma, give or take as many
LIT_V = 1.0
SUNK_PART = 0.9  # of what the supply is set to
MOST_SHORT_A = 6.0  # that the short's resistor takes


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A settled stretch of a phase, capture time."""

    from_s: float
    to_s: float


class DimmingLoad:
    """Regulation, ripple, short circuit and recovery of every output."""

    name = "dimming-load"
    title = "Panel dimming under load: regulation, ripple, short circuit and recovery"
    conditions = ("voltage_v", "current_limit_a", "rheostats", "hold_s")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the dimming's function."""
        return (dimming_function(setup),)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_dimming(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return a rated load and a short on every output, and one capture of all of them for each."""
        volts = bus_voltage_v(setup)
        outputs = outputs_of(setup)
        captures = tuple(
            CaptureNeed(
                name=output.name,
                signals=(*signals_of(setup), "unit.current.high"),
                sample_rate_hz=RATE_HZ,
                duration_s=sum(phases_s(setup).values()),
                highest_v=highest_v(setup, volts),
            )
            for output in outputs
        )
        return Needs(
            bench_time_s=sum(need.duration_s + 0.05 for need in captures) + 0.5,
            captures=captures,
            highest_voltage_v=volts,
            supply_current_a=conforming_a(setup, CONDITION),
            current_limit_a=_limit_a(setup),
            loads=tuple(
                (output.name, position)
                for output in outputs
                for position in (rated_position(setup, output), short_position(setup, output))
            ),
            load_current_a=_highest_a(setup),
            stimuli=tuple(rheostat.name for rheostat in setup.unit.rheostats),
            limits=_expected(setup),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Have everything at full, and take one output after the other through its phases."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=_limit_a(setup))
        drive_all(rig, setup, 1.0)
        rig.wait(SETTLE_S)
        for output in outputs_of(setup):
            positions = {"rated": rated_position(setup, output), "short": short_position(setup, output)}
            signals = (*signals_of(setup), "unit.current.high")
            with rig.capture(output.name, signals, sample_rate_hz=RATE_HZ) as session:
                for phase, end_s in zip(PHASES, accumulate(phases_s(setup).values()), strict=True):
                    rig.set_load(output.name, positions.get(phase, "open"))
                    session.note(**{PHASE_NOTE: phase})
                    session.wait_until(end_s)
            rig.set_load(output.name, "open")
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give regulation, ripple of a DC output, short-circuit current, what the others did, and recovery."""
        for output in outputs_of(setup):
            record = Record(evidence, output.name)
            windows = _windows(record)
            yield self._regulation(record, setup, output, windows)
            if not is_pwm(output):
                yield self._ripple(record, setup, output, windows)
            yield from self._short(record, setup, output, windows)

    def _regulation(
        self, record: Record, setup: Setup, output: DimmingOutput, windows: dict[str, Window]
    ) -> Measurement:
        drop = difference(
            _mean(record, setup, output, windows, "before"), _mean(record, setup, output, windows, "rated")
        )
        return drop.measurement(
            id=f"{output.name}.regulation",
            limit="dimming-regulation",
            title=f"{output.title}: drop from no load to {rated_position(setup, output)}",
            function=dimming_function(setup),
            quantity_unit="V",
            pins=(output.pin,),
            notes=("mean level, at full travel",),
        )

    def _ripple(self, record: Record, setup: Setup, output: DimmingOutput, windows: dict[str, Window]) -> Measurement:
        return _peak_to_peak(record, setup, output, windows).measurement(
            id=f"{output.name}.ripple",
            limit="dc-ripple",
            title=f"{output.title}: ripple at {rated_position(setup, output)}, peak to peak",
            function=dimming_function(setup),
            quantity_unit="V",
            pins=(output.pin,),
            notes=(f"up to {RIPPLE_HZ / 1000.0:g} kHz",),
        )

    def _short(
        self, record: Record, setup: Setup, output: DimmingOutput, windows: dict[str, Window]
    ) -> Iterator[Measurement]:
        short = short_position(setup, output)
        volts = _mean(record, setup, output, windows, "short")
        shorted = short in setup.bench.loads.get(output.name, {})
        before = _mean(record, setup, output, windows, "before")
        sisters = [other for other in setup.unit.dimming if other.name != output.name]
        changes = self._changes(record, setup, sisters, windows)
        recovered = relative_percent(_mean(record, setup, output, windows, "after"), before)
        found: list[tuple[str, str, str, str, Estimate, tuple[str, ...]]] = [
            (
                "short-current",
                "dimming-short-current",
                f"current into {short}",
                "A",
                as_current(setup, volts, output.name, short) if shorted else nothing(),
                ("as volts across the resistor, at full travel",),
            ),
            ("recovery", "dimming-recovery", "level after the short against before", "%", recovered, ()),
        ]
        if sisters:
            worst = worst_of(list(changes.values()))
            at = next((title for title, change in changes.items() if change is worst), "none of them is lit; none")
            found.append(
                (
                    "sister-change",
                    "dimming-sister-change",
                    "what its short does to the others",
                    "%",
                    worst,
                    (f"{at} changes most of {len(changes)}",),
                )
            )
        for what, limit, title, unit, estimate, notes in found:
            yield estimate.measurement(
                id=f"{output.name}.{what}",
                limit=limit,
                title=f"{output.title}: {title}",
                function=dimming_function(setup),
                quantity_unit=unit,
                pins=(output.pin,),
                notes=notes,
            )

    def _changes(
        self, record: Record, setup: Setup, sisters: list[DimmingOutput], windows: dict[str, Window]
    ) -> dict[str, Estimate]:
        """Return the change of every sister output with the short, by title; one that is dark has nothing to lose."""
        changes = {}
        for sister in sisters:
            before = _mean(record, setup, sister, windows, "before")
            if before.doubts or before.value >= LIT_V:
                changes[sister.title] = relative_percent(_mean(record, setup, sister, windows, "short"), before)
        return changes


def phases_s(setup: Setup) -> dict[str, float]:
    """Return how long each phase lasts, in their order."""
    return dict.fromkeys(PHASES, PHASE_S) | {"short": number(setup, "hold_s", SHORT_S)}


def _highest_a(setup: Setup) -> float:
    """Return the most a conforming output drives into a short; 0 where the sheet has no such limit."""
    limit = setup.unit.limits.get("dimming-short-current")
    return limit.high if limit is not None else 0.0


def _limit_a(setup: Setup) -> float:
    """Return the supply's limit: what the short's resistor takes, so that an output without a limit shows itself."""
    return number(setup, "current_limit_a", MOST_SHORT_A)


def _windows(record: Record) -> dict[str, Window]:
    """Return the settled part of every phase that was begun; the relay's own note says when."""
    begun = [(time_s, str(phase)) for time_s, phase in record.notes(PHASE_NOTE)]
    ends_s = [*(time_s for time_s, _ in begun[1:]), record.duration_s]
    return {
        phase: Window(from_s=time_s + SETTLE_S, to_s=end_s - 0.005)
        for (time_s, phase), end_s in zip(begun, ends_s, strict=False)
        if end_s - time_s > 2.0 * SETTLE_S
    }


def _cut_short(record: Record, phase: str) -> tuple[Doubt, ...]:
    if record.missing:
        return record.missing
    reason = f"{record.name}: the capture does not hold the phase {phase}"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step="run the procedure again"),)


def _sunk(record: Record) -> tuple[Doubt, ...]:
    """Return the doubt that the bus fell far at any time: the unit may have reset, and what follows is no answer."""
    bus = record.smoothed("unit.voltage")
    set_v = record.setting("set_voltage_v")
    if not bus.size or not float(bus.min()) < SUNK_PART * set_v:
        return ()
    return (
        Doubt(
            reason=f"{record.name}: the bus fell to {float(bus.min()):.1f} V with {set_v:.1f} V set",
            cause=Cause.UNDECIDED,
            next_step="see what the supply gives into a known load, then what the unit draws",
        ),
    )


def _mean(record: Record, setup: Setup, output: DimmingOutput, windows: dict[str, Window], phase: str) -> Estimate:
    """Return the mean of an output over a phase, in doubt where the supply did not hold."""
    window = windows.get(phase)
    if window is None:
        return nothing(*_cut_short(record, phase))
    spoilt = (*supply_doubts(record, setup, CONDITION, window.from_s, window.to_s), *_sunk(record))
    return doubted(record.mean(voltage_signal(output.name), window.from_s, window.to_s), *spoilt)


def _peak_to_peak(record: Record, setup: Setup, output: DimmingOutput, windows: dict[str, Window]) -> Estimate:
    """Return the spread of a loaded DC output between its outermost 0.1 % of samples, less what noise adds to it."""
    window = windows.get("rated")
    signal = voltage_signal(output.name)
    if window is None or record.capture is None or not record.holds(signal):
        return nothing(*_cut_short(record, "rated"))
    samples = record.samples(signal, window.from_s, window.to_s)
    if not samples.size:
        return nothing(*_cut_short(record, "rated"))
    low, high = np.percentile(samples, [OUTER_PERCENT, 100.0 - OUTER_PERCENT])
    channel = record.capture.channels[signal]
    spoilt = (
        *record.doubts((signal,), window.from_s, window.to_s),
        *supply_doubts(record, setup, CONDITION, window.from_s, window.to_s),
    )
    level = at_channel(channel, float(high - low), name=f"ripple of {output.name}", capture=record.name)
    return doubted(_less_noise(level, channel.noise, output), *spoilt)


def _less_noise(level: Estimate, noise_v: float, output: DimmingOutput) -> Estimate:
    """Return a peak-to-peak value less what noise adds to it, with what samples miss of it."""
    added = NOISE_SIGMAS * noise_v
    gain = Estimate(value=level.value, terms=level.terms[:1], captures=level.captures)  # its offset cancels
    noise = bounded(added, added, f"what noise adds to the ripple of {output.name}")
    missed = bounded(0.0, MISSED_PART * level.value, f"what samples miss of the ripple of {output.name}")
    return combined(level.value - added, ((gain, 1.0), (noise, -1.0), (missed, 1.0)))


def _expected(setup: Setup) -> tuple[tuple[str, float], ...]:
    """Return the uncertainties of drop, short-circuit current, changes and ripple, the worst of the outputs.

    What a short does to another output and what is left after it are changes of a mean in per cent of it.
    """
    drops, currents, changes, ripples = [], [], [], []
    stretch_s, short_a = PHASE_S - SETTLE_S, typical(setup, "dimming-short-current")
    for output in outputs_of(setup):
        before, after = (
            mean_at_full(setup, output, bus_voltage_v(setup), rate_hz=RATE_HZ, stretch_s=stretch_s, when=when)
            for when in ("before", "after")
        )
        drops.append(difference(before, after))
        changes.append(relative_percent(after, before))
        short, signal = short_position(setup, output), voltage_signal(output.name)
        ohm = load_of(setup, output.name, short).resistance_ohm
        volts = reading(setup, signal, short_a * ohm if math.isfinite(ohm) else 0.0)
        currents.append(as_current(setup, volts, output.name, short))
        facts = setup.bench.channels.get(signal)
        if not is_pwm(output) and facts is not None:
            ripple_v = typical(setup, "dc-ripple") + NOISE_SIGMAS * facts.noise
            ripples.append(_less_noise(reading(setup, signal, ripple_v), facts.noise, output))
    return (
        ("dimming-regulation", worst(*drops)),
        ("dimming-short-current", worst(*currents)),
        ("dimming-sister-change", worst(*changes)),
        ("dimming-recovery", worst(*changes)),
        *((("dc-ripple", worst(*ripples)),) if ripples else ()),
    )
