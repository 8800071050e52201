"""Bench check with the unit unplugged: zeros, reference, lines, fed channels, supply, sample stream and clock.

Everything found here is the bench's; with any of it wrong no unit may be judged, so the plan gates on it.
"""

import math
from collections.abc import Iterable, Iterator

from analysis.measurement import Doubt, Result
from analysis.uncertainty import Estimate, bounded, difference
from test_plans.bench_airspeed import CAPTURE as AIRSPEED_CAPTURE
from test_plans.bench_airspeed import airspeed_need, airspeed_observation, airspeed_s, give_airspeed
from test_plans.bench_channels import fed_need, fed_observation, feed_outputs, noise_fault
from test_plans.bench_observation import bench_observation
from test_plans.conditions import number
from test_plans.driving import LEAD_S, Action, drive_at, in_turn, play, play_touches
from test_plans.line_loads import load_lines, loaded_need, resistance_observation
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record, agreement
from test_plans.rig import PromptAction, Rig, SupplyPath
from test_plans.sheets import Setup, UnitSheet
from test_plans.signals import stimuli_of, switches_of, voltage_signal, wired_signals

RATE_HZ = 1000.0
ZERO_S = 0.4
LEVEL_S = 0.25
SETTLE_S = 0.05
LEVELS_V = (2.0, 8.0, 9.5)
LOADED = "loaded"
LEVEL_STEP_V = 0.1  # lines stand this far apart, so that crossed lines show
PRESS_S = 0.040
SUPPLY_S = 0.3
SUPPLY_LIMIT_A = 0.5
STREAM_S = 3.0  # long enough that one frame lost in fifty shows
STREAM_RATE_HZ = 50_000.0
CLOCK_S = 8.0  # long enough that a sample clock off by a thousandth shows beside the host's own few ms


def level_of(position: int, base_v: float) -> float:
    """Return the loop-back level of the line at `position`: each line has its own, within the range."""
    step_v = LEVEL_STEP_V * position
    return base_v + step_v if base_v < 5.0 else base_v - step_v


def check_voltage_v(setup: Setup) -> float:
    """Return the supply voltage of the check, the highest the unit is ever run at."""
    return number(setup, "voltage_v", setup.unit.highest_voltage_v)


class BenchCheck:
    """Channel zeros, reference, loop-backs and stream, with the unit unplugged."""

    name = "bench-check"
    title = "Bench check with the unit unplugged"
    conditions = ("voltage_v",)

    def functions(self, setup: Setup) -> tuple[str, ...]:  # noqa: ARG002
        """Return none: it touches the bench alone."""
        return ()

    def needs(self, setup: Setup) -> Needs:
        """Return its captures, all of them short."""
        unit = setup.unit
        stimuli, switches = stimuli_of(unit), switches_of(unit)
        loop_s, press_s = self._loop_s(), self._press_s(unit)
        pins = tuple(voltage_signal(name) for name in stimuli)
        highest = dict.fromkeys(pins, max(LEVELS_V))
        volts = check_voltage_v(setup)
        return Needs(
            bench_time_s=airspeed_s(setup) + ZERO_S + loop_s + press_s + SUPPLY_S + STREAM_S + CLOCK_S + 2.5,
            captures=(
                CaptureNeed(name="zeros", signals=wired_signals(setup), sample_rate_hz=RATE_HZ, duration_s=ZERO_S),
                CaptureNeed(name="stimuli", signals=pins, sample_rate_hz=RATE_HZ, duration_s=loop_s, highest_v=highest),
                *loaded_need(setup, LOADED, stimuli),
                *fed_need(setup),
                *airspeed_need(setup),
                CaptureNeed(name="switches", signals=(), lines=switches, sample_rate_hz=RATE_HZ, duration_s=press_s),
                CaptureNeed(
                    name="supply",
                    signals=("supply.voltage", "unit.voltage"),
                    sample_rate_hz=RATE_HZ,
                    duration_s=SUPPLY_S,
                    highest_v={"supply.voltage": volts, "unit.voltage": volts},
                ),
                CaptureNeed(name="stream", signals=self._stream(), sample_rate_hz=STREAM_RATE_HZ, duration_s=STREAM_S),
                CaptureNeed(name="clock", signals=(), sample_rate_hz=RATE_HZ, duration_s=CLOCK_S),
            ),
            highest_voltage_v=volts,
            current_limit_a=SUPPLY_LIMIT_A,
            stimuli=stimuli,
            switches=switches,
            paths=(SupplyPath.RUN.value,),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Look at everything idle, then move each line in turn, then the supply."""
        unit = setup.unit
        rig.ask(PromptAction.UNPLUG_UNIT, "Take all connectors off the unit; the bench is checked without it first.")
        rig.stop_airspeed()
        rig.connect(SupplyPath.OPEN)
        rig.set_output(False)
        rig.arm(False)
        for switch in switches_of(unit):
            rig.release(switch)
        for line in stimuli_of(unit):
            rig.drive(line, 0.0)
        rig.wait(0.3)
        with rig.capture("zeros", wired_signals(setup), sample_rate_hz=RATE_HZ) as session:
            session.wait_until(ZERO_S)
        self._loop_stimuli(rig, unit)
        self._loop_switches(rig, unit)
        load_lines(rig, setup, LOADED, stimuli_of(unit))
        feed_outputs(rig, setup)
        give_airspeed(rig, setup)
        self._look_at_supply(rig, setup)
        with rig.capture("stream", self._stream(), sample_rate_hz=STREAM_RATE_HZ) as session:
            session.wait_until(STREAM_S)
        with rig.capture("clock", (), sample_rate_hz=RATE_HZ) as session:
            session.wait_until(CLOCK_S)
            session.note(ends=True)

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give one observation for each kind of thing that must be right."""
        yield self._zeros(Record(evidence, "zeros"), setup)
        yield self._noise(Record(evidence, "zeros"), setup)
        yield self._reference(Record(evidence, "zeros"), setup)
        yield self._stimuli(Record(evidence, "stimuli"), setup)
        yield self._switches(Record(evidence, "switches"), setup)
        yield from resistance_observation(Record(evidence, LOADED), setup)
        yield from fed_observation(Record(evidence, "fed"), setup)
        yield from airspeed_observation(Record(evidence, AIRSPEED_CAPTURE), setup)
        yield self._supply(Record(evidence, "supply"), setup)
        yield self._frames([Record(evidence, name) for name in ("zeros", "stimuli", "switches", "supply", "stream")])
        yield self._clock(Record(evidence, "clock"))

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def _stream(self) -> tuple[str, ...]:
        return ("supply.voltage", "return.current")

    def _loop_s(self) -> float:
        return LEAD_S + LEVEL_S * len(LEVELS_V)

    def _press_s(self, unit: UnitSheet) -> float:
        return LEAD_S + 2 * PRESS_S * len(switches_of(unit))

    def _loop_stimuli(self, rig: Rig, unit: UnitSheet) -> None:
        lines = stimuli_of(unit)
        with rig.capture("stimuli", [voltage_signal(name) for name in lines], sample_rate_hz=RATE_HZ) as session:
            actions: list[Action] = []
            for step, base_v in enumerate(LEVELS_V):
                at_s = LEAD_S + step * LEVEL_S
                for position, line in enumerate(lines):
                    actions.append(drive_at(session, line, level_of(position, base_v), at_s))
            play(session, actions)
            session.wait_until(self._loop_s())
        for line in lines:
            rig.drive(line, 0.0)

    def _loop_switches(self, rig: Rig, unit: UnitSheet) -> None:
        switches = switches_of(unit)
        with rig.capture("switches", (), sample_rate_hz=RATE_HZ, lines=switches) as session:
            play_touches(session, in_turn(switches, first_s=LEAD_S, hold_s=PRESS_S, pause_s=PRESS_S))
            session.wait_until(self._press_s(unit) + PRESS_S)

    def _look_at_supply(self, rig: Rig, setup: Setup) -> None:
        rig.set_supply(0.0, SUPPLY_LIMIT_A)
        rig.connect(SupplyPath.RUN)
        rig.set_output(True)
        rig.set_supply(check_voltage_v(setup), SUPPLY_LIMIT_A)
        rig.wait(0.5)
        with rig.capture("supply", ("supply.voltage", "unit.voltage"), sample_rate_hz=RATE_HZ) as session:
            session.wait_until(SUPPLY_S)
            rig.read_supply()
        rig.set_supply(0.0, SUPPLY_LIMIT_A)
        rig.wait(0.2)
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)

    def _zeros(self, record: Record, setup: Setup) -> Result:
        wrong: list[str] = []
        doubts: list[Doubt] = list(record.missing)
        signals = [signal for signal in wired_signals(setup) if signal != "reference.voltage"]
        for signal in signals if record.capture else ():
            zero = record.mean(signal)
            if not agreement(zero):
                wrong.append(f"{signal} shows {zero.value:.4g} {_unit_of(record, signal)} with nothing applied")
        return bench_observation(
            "bench-check.zeros",
            "Bench: channel zeros",
            f"each of {len(signals)} channels shows zero with nothing applied",
            wrong=wrong,
            tried=record.capture is not None,
            captures=record.names,
            doubts=doubts,
        )

    def _noise(self, record: Record, setup: Setup) -> Result:
        signals = wired_signals(setup)
        return bench_observation(
            "bench-check.noise",
            "Bench: channel noise",
            f"each of {len(signals)} channels is as quiet as the bench sheet says",
            wrong=[said for signal in signals if (said := noise_fault(record, signal))],
            tried=record.capture is not None,
            captures=record.names,
            doubts=record.missing,
        )

    def _reference(self, record: Record, setup: Setup) -> Result:
        facts = setup.bench
        reading = record.mean("reference.voltage")
        known = bounded(facts.reference_v, facts.reference_bound_v, "reference")
        residue = difference(reading, known)
        wrong = [] if agreement(residue) else [f"reads {reading.value:.4f} V where {facts.reference_v:.3f} V stands"]
        return bench_observation(
            "bench-check.reference",
            "Bench: reference voltage",
            "the reference reads what it is",
            wrong=wrong if not reading.doubts else (),
            tried=record.capture is not None,
            captures=record.names,
            doubts=reading.doubts,
            notes=(f"{reading.value:.4f} V",) if math.isfinite(reading.value) else (),
        )

    def _stimuli(self, record: Record, setup: Setup) -> Result:
        lines = stimuli_of(setup.unit)
        wrong: list[str] = []
        driven = 0
        for line in lines if record.capture else ():
            driven += len(record.stimuli(line))
            wrong.extend(self._line_faults(record, line, setup))
        return bench_observation(
            "bench-check.stimulus-lines",
            "Bench: stimulus lines looped back",
            f"each of {len(lines)} lines is read back at its pin as it was set, at {len(LEVELS_V)} levels",
            wrong=wrong,
            tried=driven == len(lines) * len(LEVELS_V),
            captures=record.names,
            doubts=record.missing,
        )

    def _line_faults(self, record: Record, line: str, setup: Setup) -> Iterator[str]:
        steps = record.stimuli(line)
        ends = (*(step.time_s for step in steps[1:]), record.duration_s)
        facts = setup.bench
        for step, end_s in zip(steps, ends, strict=False):
            bound_v = facts.stimulus_relative_bound * abs(step.value) + facts.stimulus_absolute_bound_v
            read = record.mean(voltage_signal(line), step.time_s + SETTLE_S, end_s - 0.01)
            if not agreement(difference(_plain(read), bounded(step.value, bound_v, f"stimulus {line}"))):
                yield f"{line} reads {read.value:.3f} V at its pin where {step.value:.2f} V was set"

    def _switches(self, record: Record, setup: Setup) -> Result:
        switches = switches_of(setup.unit)
        wrong: list[str] = []
        for switch in switches if record.capture else ():
            wrong.extend(_switch_faults(record, switch))
        return bench_observation(
            "bench-check.switch-lines",
            "Bench: switch lines looped back",
            f"each of {len(switches)} lines closes and opens its pin, and no other",
            wrong=wrong,
            tried=record.capture is not None,
            captures=record.names,
            doubts=record.missing,
        )

    def _supply(self, record: Record, setup: Setup) -> Result:
        facts = setup.bench
        set_v = record.setting("set_voltage_v")
        known = bounded(
            set_v, facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v, "supply setting"
        )
        wrong: list[str] = []
        doubts: list[Doubt] = []
        for signal in ("supply.voltage", "unit.voltage"):
            reading = record.mean(signal)
            doubts.extend(reading.doubts)
            if not reading.doubts and not agreement(difference(reading, known)):
                wrong.append(f"{signal} reads {reading.value:.3f} V with {set_v:.2f} V set and nothing drawn")
        for event in record.supply_readings():
            shown_v = float(event.fields["voltage_v"])
            own = bounded(shown_v, known.standard_uncertainty * math.sqrt(3.0), "supply read-back")
            if not agreement(difference(own, known)):
                wrong.append(f"the supply reads back {shown_v:.3f} V with {set_v:.2f} V set")
        return bench_observation(
            "bench-check.supply",
            "Bench: supply voltage as set",
            "supply, DAQ and setting agree",
            wrong=wrong,
            tried=record.capture is not None,
            captures=record.names,
            doubts=doubts,
        )

    def _frames(self, records: list[Record]) -> Result:
        taken = [record for record in records if record.capture]
        wrong = [
            f"{record.name}: {len(gaps)} gaps, {sum(gap.n_samples for gap in gaps)} samples lost"
            for record in taken
            if (gaps := record.capture.gaps if record.capture else ())
        ]
        return bench_observation(
            "bench-check.sample-stream",
            "Bench: sample stream without gaps",
            "no sample is lost",
            wrong=wrong,
            tried=bool(taken),
            captures=[record.name for record in taken],
        )

    def _clock(self, record: Record) -> Result:
        """Return whether as many samples came as the stretch of bench time asked for.

        Allowed is what the sheet says of the sample clock, one sample, and what the host's time of the end is worth.
        """
        capture = record.capture
        ends = [] if capture is None else [event for event in capture.events_of("note") if "ends" in event.fields]
        wrong: list[str] = []
        notes: list[str] = []
        if capture is not None and ends:
            waited_s = ends[-1].time_s
            allowed_s = capture.timebase_bound * waited_s + 1.0 / capture.sample_rate_hz + ends[-1].uncertainty_s
            words = f"{capture.duration_s:.4f} s by its samples, {waited_s:.4f} s of bench time"
            notes.append(words)
            if not abs(capture.duration_s - waited_s) <= allowed_s:
                wrong.append(f"{words}: they may differ by {1000.0 * allowed_s:.1f} ms")
        return bench_observation(
            "bench-check.sample-clock",
            "Bench: sample clock against bench time",
            "samples come at the rate asked for",
            wrong=wrong,
            tried=bool(ends),
            captures=record.names,
            doubts=record.gap_doubts(),
            notes=notes,
        )


def _switch_faults(record: Record, switch: str) -> Iterator[str]:
    capture = record.capture
    if capture is None:
        return
    steps = record.stimuli(switch)
    line = capture.line(switch)
    expected_s = [(step.time_s, bool(step.value)) for step in steps]
    if len(expected_s) != 2:
        yield f"{switch} was not worked"
        return
    closed, opened = (round((time_s + 0.5 * PRESS_S) * capture.sample_rate_hz) for time_s, _ in expected_s)
    if not (closed < line.size and line[closed]):
        yield f"{switch} does not close its pin to ground"
    if not (opened < line.size) or line[opened]:
        yield f"{switch} does not open its pin again"
    # Closed at any other time, it is worked by another line.
    margin = round(0.010 * capture.sample_rate_hz)
    first = round(expected_s[0][0] * capture.sample_rate_hz) - margin
    last = round(expected_s[1][0] * capture.sample_rate_hz) + margin
    if line[: max(0, first)].any() or line[last:].any():
        yield f"{switch} closes with another line"


def _plain(reading: Estimate) -> Estimate:
    """Return a reading without its doubts: the loop-back judges a clipped value by what it shows."""
    return Estimate(value=reading.value, terms=reading.terms, captures=reading.captures)


def _unit_of(record: Record, signal: str) -> str:
    return record.capture.channels[signal].quantity_unit if record.holds(signal) and record.capture else ""
