"""Panel dimming, which rheostat sets what: each is turned from end to end while all others stand at half.

Its own outputs must go from end to end with it, every other dimming output must stay where it is, and nothing else of
the unit may move. On the way every output is held against its curve at full, and at half where another rheostat turns;
there its pulses are timed as well.
"""

from collections.abc import Iterable

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.sampling_rate import averaging_rate_hz
from analysis.uncertainty import Estimate, difference
from test_plans.conditions import bus_voltage_v
from test_plans.dimming_bench import (
    FASTEST_HZ,
    dimming_function,
    dimming_needs,
    drive_all,
    levels_capture,
    periods_s,
    rheostat_for,
    rheostats_of,
    sample_rate_hz,
    signals_of,
    wake,
)
from test_plans.dimming_expected import deviation, frequency_hz, level
from test_plans.dimming_levels import (
    SETTLE_S,
    Level,
    all_doubts,
    expected_level,
    is_pwm,
    level_of,
    limit_of,
    off_curve,
    percent_of_full,
    pulses_sure,
    steady_doubts,
    travel_of,
    unit_of,
    wiper_doubts,
)
from test_plans.dimming_staircase import frequency_furthest, no_pulses
from test_plans.driving import LEAD_S, drive_at, play
from test_plans.expected import worst
from test_plans.idle import idle_observation
from test_plans.model_gaps import without_dimming
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, nothing
from test_plans.rig import Rig
from test_plans.sheets import DimmingOutput, Rheostat, Setup
from test_plans.signals import idle_outputs, voltage_signal
from test_plans.switch_lines import watched_lines

PERIODS = 72
OTHERS_TRAVEL = 0.5
LEAST_SPAN_PERCENT = 50.0  # of full: an output on the rheostat goes much further, one that is not much less
OTHERS_RATE_HZ = 1000.0
OTHERS_S = 0.4
AGAIN = ".again"


class DimmingMap:
    """Each rheostat moves exactly its outputs."""

    name = "dimming-map"
    title = "Panel dimming: each rheostat moves its own outputs and no other"
    conditions = ("voltage_v", "current_limit_a", "rheostats")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the dimming's function."""
        return (dimming_function(setup),)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_dimming(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one short capture of all dimming outputs per rheostat, and a look at everything else."""
        volts = bus_voltage_v(setup)
        captures = tuple(
            levels_capture(setup, rheostat.name, n_periods=PERIODS, duration_s=_duration_s(setup), bus_v=volts)
            for rheostat in rheostats_of(setup)
        )
        others = CaptureNeed(
            name="others",
            signals=tuple(voltage_signal(name) for name in _others(setup)),
            lines=watched_lines(setup.unit),
            sample_rate_hz=OTHERS_RATE_HZ,
            duration_s=OTHERS_S,
        )
        return dimming_needs(setup, (*captures, others), _expected(setup))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Turn each rheostat from off to full with the others at half; then look at all other outputs at full."""
        wake(rig, setup)
        for rheostat in rheostats_of(setup):
            self._turn(rig, setup, rheostat, rheostat.name, sample_rate_hz(setup, PERIODS))
        drive_all(rig, setup, 1.0)
        others, lines = [voltage_signal(name) for name in _others(setup)], watched_lines(setup.unit)
        with rig.capture("others", others, sample_rate_hz=OTHERS_RATE_HZ, lines=lines) as session:
            session.wait_until(OTHERS_S)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Take a capture again, at a rate for the frequencies it showed, where an output's periods did not average."""
        taken = False
        for rheostat in rheostats_of(setup):
            record = Record(evidence, rheostat.name)
            if record.capture is None or evidence.has(rheostat.name + AGAIN):
                continue
            steady = [level for output in _strangers(setup, rheostat) for level in self._levels(record, setup, output)]
            pulses = [level.pulses for level in steady if level.pulses is not None and level.pulses.n_periods]
            if all(found.averaged or found.interpolated for found in pulses):
                continue
            rate_hz = averaging_rate_hz([found.frequency_hz for found in pulses], FASTEST_HZ, PERIODS)
            self._turn(rig, setup, rheostat, rheostat.name + AGAIN, rate_hz)
            taken = True
        if taken:
            rig.idle_inputs()
        return taken

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for every rheostat that its outputs follow it, and by how much any other dimming output changes."""
        for rheostat in rheostats_of(setup):
            again = rheostat.name + AGAIN
            record = Record(evidence, again if evidence.has(again) else rheostat.name)
            for output in setup.unit.dimming:
                if setup.aircraft.dimming_map[output.name] == rheostat.name:
                    yield self._follows(record, setup, rheostat, output)
                    yield self._off_curve(record, setup, output, "full")
            for output in _strangers(setup, rheostat):
                yield self._cross_talk(record, setup, rheostat, output)
                yield self._off_curve(record, setup, output, "half")
                if is_pwm(output) and pulses_sure(expected_level(output, OTHERS_TRAVEL)[0]):
                    yield self._frequency(record, setup, rheostat, output)
        yield idle_observation(
            Record(evidence, "others"),
            setup,
            _others(setup),
            "dimming.others-idle",
            "Dimming: moves no other output",
            function=dimming_function(setup),
            pins=tuple(rheostat.pin for rheostat in rheostats_of(setup)),
        )

    def _turn(self, rig: Rig, setup: Setup, rheostat: Rheostat, name: str, rate_hz: float) -> None:
        drive_all(rig, setup, OTHERS_TRAVEL)
        rig.drive(rheostat.name, 0.0)
        with rig.capture(name, signals_of(setup), sample_rate_hz=rate_hz) as session:
            turned_s = LEAD_S + _hold_s(setup)
            play(
                session,
                [
                    drive_at(session, rheostat.name, 0.0, LEAD_S),
                    drive_at(session, rheostat.name, rheostat.full_travel_v, turned_s),
                ],
            )
            session.wait_until(_duration_s(setup))

    def _levels(self, record: Record, setup: Setup, output: DimmingOutput) -> tuple[Level, Level]:
        """Return an output's level with the rheostat at zero and at full."""
        (zero_from, zero_to), (full_from, full_to) = _windows(setup)
        spoilt = (
            *steady_doubts(record, setup, zero_from, zero_to),
            *steady_doubts(record, setup, full_from, full_to),
        )
        return (
            level_of(record, setup, output, zero_from, zero_to, spoilt=spoilt),
            level_of(record, setup, output, full_from, full_to, spoilt=spoilt),
        )

    def _change(self, record: Record, setup: Setup, rheostat: Rheostat, output: DimmingOutput) -> Estimate:
        zero, full = self._levels(record, setup, output)
        change = percent_of_full(output, difference(full.value, zero.value))
        return Estimate(
            value=change.value,
            terms=change.terms,
            doubts=(*change.doubts, *self._not_turned(record, setup, rheostat)),
            captures=record.names,
        )

    def _not_turned(self, record: Record, setup: Setup, rheostat: Rheostat) -> tuple[Doubt, ...]:
        (zero_from, zero_to), (full_from, full_to) = _windows(setup)
        wiper = voltage_signal(rheostat.name)
        zero, full = record.mean(wiper, zero_from, zero_to), record.mean(wiper, full_from, full_to)
        return wiper_doubts(record, rheostat, zero.value, full, rheostat.full_travel_v)

    def _follows(self, record: Record, setup: Setup, rheostat: Rheostat, output: DimmingOutput) -> Observation:
        change = self._change(record, setup, rheostat, output)
        return Observation(
            id=f"{rheostat.name}.{output.name}.follows",
            title=f"{output.title}: follows {rheostat.title.lower()}",
            function=dimming_function(setup),
            statement="goes from off to full with it",
            trials=int(record.capture is not None),
            failures=int(record.capture is not None and not change.value >= LEAST_SPAN_PERCENT),
            detail=f"changes by {change.value:.1f} % of full",
            source=f"aircraft sheet {setup.aircraft.name}",
            doubts=change.doubts,
            captures=record.names,
            pins=(rheostat.pin, output.pin),
        )

    def _off_curve(self, record: Record, setup: Setup, output: DimmingOutput, where: str) -> Measurement:
        own, window = rheostat_for(setup, output), _windows(setup)[1]
        travel = travel_of(record, own, *window)
        level = self._levels(record, setup, output)[1].value
        return off_curve(output, level, travel).measurement(
            id=f"{own.name}.{output.name}.at-{where}",
            limit=limit_of(output, "curve"),
            title=f"{output.title}: off its curve with {own.title.lower()} at {where} travel",
            function=dimming_function(setup),
            quantity_unit=unit_of(output),
            pins=(output.pin, own.pin),
        )

    def _frequency(self, record: Record, setup: Setup, rheostat: Rheostat, output: DimmingOutput) -> Measurement:
        """Return the frequency furthest from nominal of an output at half while another rheostat turns."""
        levels = self._levels(record, setup, output)
        found = [level.frequency_hz for level in levels if level.frequency_hz is not None]
        missing = nothing(*(all_doubts([level.value for level in levels]) or (no_pulses(output),)))
        return frequency_furthest(found, output.frequency_hz, missing).measurement(
            id=f"{rheostat.name}.{output.name}.frequency",
            limit="pwm-frequency",
            title=f"{output.title}: frequency at half travel while {rheostat.title.lower()} is turned",
            function=dimming_function(setup),
            quantity_unit="Hz",
            pins=(output.pin,),
        )

    def _cross_talk(self, record: Record, setup: Setup, rheostat: Rheostat, output: DimmingOutput) -> Measurement:
        return self._change(record, setup, rheostat, output).measurement(
            id=f"{rheostat.name}.{output.name}.cross-talk",
            limit="dimming-cross-talk",
            title=f"{output.title}: change with {rheostat.title.lower()}, which is not its own",
            function=dimming_function(setup),
            quantity_unit="%",
            pins=(output.pin, rheostat.pin),
            notes=("of full level, its own rheostat at half",),
        )


def _expected(setup: Setup) -> tuple[tuple[str, float], ...]:
    """Return the uncertainties of levels at half and at full, of the change of what must not, and of a frequency."""
    rate_hz, stretch_s = sample_rate_hz(setup, PERIODS), periods_s(setup, PERIODS)
    curves: dict[str, list[Estimate]] = {}
    for output in setup.unit.dimming:
        curves.setdefault(limit_of(output, "curve"), []).extend(
            deviation(setup, output, at, rate_hz=rate_hz, stretch_s=stretch_s) for at in (OTHERS_TRAVEL, 1.0)
        )
    changes, frequencies = [], []
    for output in setup.unit.dimming if len(setup.unit.rheostats) > 1 else ():
        half = expected_level(output, OTHERS_TRAVEL)[0]
        zero, full = (
            level(setup, output, half, rate_hz=rate_hz, stretch_s=stretch_s, when=when, retaken=True)
            for when in ("zero", "full")
        )
        changes.append(percent_of_full(output, difference(full, zero)))
        if is_pwm(output) and pulses_sure(half):
            frequencies.append(frequency_hz(setup, output, rate_hz=rate_hz, stretch_s=stretch_s))
    found = {key: worst(*entries) for key, entries in curves.items()}
    found |= {
        key: worst(*entries)
        for key, entries in (("dimming-cross-talk", changes), ("pwm-frequency", frequencies))
        if entries
    }
    return tuple(found.items())


def _strangers(setup: Setup, rheostat: Rheostat) -> tuple[DimmingOutput, ...]:
    return tuple(output for output in setup.unit.dimming if setup.aircraft.dimming_map[output.name] != rheostat.name)


def _others(setup: Setup) -> tuple[str, ...]:
    dimming = {output.name for output in setup.unit.dimming}
    return tuple(name for name in idle_outputs(setup.unit) if name not in dimming)


def _hold_s(setup: Setup) -> float:
    return SETTLE_S + periods_s(setup, PERIODS)


def _windows(setup: Setup) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the stretches with the rheostat at zero and at full, settled."""
    turned_s = LEAD_S + _hold_s(setup)
    return (LEAD_S + SETTLE_S, turned_s), (turned_s + SETTLE_S, turned_s + _hold_s(setup))


def _duration_s(setup: Setup) -> float:
    return LEAD_S + 2.0 * _hold_s(setup)
