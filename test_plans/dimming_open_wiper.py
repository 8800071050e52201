"""Panel dimming with a rheostat that is open or shorted to an end of its travel: what the outputs then show.

The bench's stimulus stays at the pin through its resistor, so it can't open a wiper. It holds the pin where an open one
idles by itself, which to a unit that only reads the pin is the same; a unit that finds an open wiper by loading it is
not tested. That the pin does idle there rests on the sheet and on the pull current, which is measured: what the pin
rises by when the unit gets power, with the same stimulus, so that its errors and the input's cancel.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from analysis.measurement import Measurement, Result
from analysis.uncertainty import Estimate, bounded, combined, difference, exact, ratio
from test_plans.conditions import bus_voltage_v
from test_plans.dimming_bench import (
    dimming_function,
    dimming_needs,
    drive_all,
    levels_capture,
    outputs_of,
    periods_s,
    rheostat_for,
    rheostats_of,
    sample_rate_hz,
    signals_of,
    wake,
)
from test_plans.dimming_expected import level, near_off
from test_plans.dimming_levels import (
    SETTLE_S,
    expected_level,
    level_of,
    limit_of,
    mean_share,
    steady_doubts,
    unit_of,
    wiper_doubts,
)
from test_plans.driving import POWER_UP_RATE_V_PER_S, READY_WAIT_S
from test_plans.expected import reading, typical, worst
from test_plans.model_gaps import without_dimming
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import DimmingOutput, Rheostat, Setup
from test_plans.signals import voltage_signal

PULL_RATE_HZ = 1000.0
PULL_S = 0.5
PERIODS = 24
MAKING_SAFE_S = 2.0
STATES = ("open", "top", "ground")


class DimmingOpenWiper:
    """Open rheostat, and one shorted to either end."""

    name = "dimming-open-wiper"
    title = "Panel dimming with an open or shorted rheostat"
    conditions = ("voltage_v", "current_limit_a", "rheostats")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the dimming's function."""
        return (dimming_function(setup),)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        if (missing := without_dimming(setup)) is not None:
            return missing
        if any(rheostat.open_voltage_v for rheostat in setup.unit.rheostats):
            return None
        return NotForModel(
            reason=f"the sheet of model {setup.unit.model} says nothing of an open rheostat",
            untested="dimming with an open rheostat",
        )

    def needs(self, setup: Setup) -> Needs:
        """Return a look at the wipers without and with power, and one at everything for each state."""
        volts = bus_voltage_v(setup)
        wipers = tuple(voltage_signal(rheostat.name) for rheostat in setup.unit.rheostats)
        captures = (
            *(
                CaptureNeed(name=name, signals=wipers, sample_rate_hz=PULL_RATE_HZ, duration_s=PULL_S)
                for name in ("without-power", "with-power")
            ),
            *(
                levels_capture(setup, state, n_periods=PERIODS, duration_s=_look_s(setup), bus_v=volts)
                for state in STATES
            ),
        )
        powering_s = MAKING_SAFE_S + volts / POWER_UP_RATE_V_PER_S + READY_WAIT_S
        needs = dimming_needs(setup, captures, _expected(setup))
        return replace(needs, bench_time_s=needs.bench_time_s + powering_s, paths=(SupplyPath.RUN.value,))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Take the power off and look at the wipers, give it back and look again, then go through the states."""
        rig.make_safe()
        wipers = [voltage_signal(rheostat.name) for rheostat in setup.unit.rheostats]
        drive_all(rig, setup, 0.0)
        self._look(rig, "without-power", wipers)
        wake(rig, setup)
        self._look(rig, "with-power", wipers)
        for state in STATES:
            for rheostat in setup.unit.rheostats:
                rig.drive(rheostat.name, _asked_v(rheostat, state))
            with rig.capture(state, signals_of(setup), sample_rate_hz=sample_rate_hz(setup, PERIODS)) as session:
                session.wait_until(_look_s(setup))
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the pull current of every wiper, and every output's level in each state."""
        without, powered = (Record(evidence, name) for name in ("without-power", "with-power"))
        for rheostat in rheostats_of(setup):
            if rheostat.open_voltage_v:
                yield self._pull_current(without, powered, setup, rheostat)
        for output in outputs_of(setup):
            yield from self._states(evidence, setup, output)

    def _look(self, rig: Rig, name: str, signals: list[str]) -> None:
        with rig.capture(name, signals, sample_rate_hz=PULL_RATE_HZ) as session:
            session.wait_until(PULL_S)

    def _pull_current(self, without: Record, powered: Record, setup: Setup, rheostat: Rheostat) -> Measurement:
        signal = voltage_signal(rheostat.name)
        rise = difference(powered.mean(signal), without.mean(signal))
        return _pulled(rise, setup, rheostat).measurement(
            id=f"{rheostat.name}.pull-current",
            limit="wiper-pull-current",
            title=f"{rheostat.title}: what the unit pulls its wiper up with",
            function=dimming_function(setup),
            quantity_unit="A",
            pins=(rheostat.pin,),
            notes=("from what the pin, held at ground through the stimulus resistor, rises by with power",),
        )

    def _states(self, evidence: Evidence, setup: Setup, output: DimmingOutput) -> Iterator[Measurement]:
        rheostat = rheostat_for(setup, output)
        for state, title in (
            ("open", "off what an open rheostat asks"),
            ("top", "level with the rheostat shorted to its top"),
            ("ground", "level with the rheostat shorted to ground"),
        ):
            if state == "open" and not rheostat.open_voltage_v:
                continue
            found = self._level(Record(evidence, state), setup, output, state)
            limit = {"open": "curve", "top": "full-level", "ground": "off-level"}[state]
            yield found.measurement(
                id=f"{output.name}.wiper-{state}",
                limit=limit_of(output, limit),
                title=f"{output.title}: {title}",
                function=dimming_function(setup),
                quantity_unit=unit_of(output),
                pins=(output.pin, rheostat.pin),
                notes=(f"emulated: pin held at {_asked_v(rheostat, state):g} V through the stimulus resistor",),
            )

    def _level(self, record: Record, setup: Setup, output: DimmingOutput, state: str) -> Estimate:
        rheostat = rheostat_for(setup, output)
        until_s = _look_s(setup)
        pin = record.mean(voltage_signal(rheostat.name), SETTLE_S, until_s)
        asked_v = _asked_v(rheostat, state)
        from_v = 0.0 if asked_v else rheostat.full_travel_v
        spoilt = (
            *pin.doubts,
            *steady_doubts(record, setup, SETTLE_S, until_s),
            *wiper_doubts(record, rheostat, from_v, pin, asked_v),
        )
        if state == "ground":
            return doubted(mean_share(record, output, SETTLE_S, until_s), *spoilt)
        found = level_of(record, setup, output, SETTLE_S, until_s, spoilt=spoilt).value
        if state == "top":
            return found
        wanted = expected_level(output, rheostat.open_travel)[0]
        return combined(difference(found, exact(wanted)).value, ((found, 1.0),))


def _pulled(rise: Estimate, setup: Setup, rheostat: Rheostat) -> Estimate:
    """Return the current that lifts a wiper's pin behind its stimulus resistor by a rise in V."""
    ohm, bound = setup.bench.stimulus_resistance_ohm, setup.bench.stimulus_resistance_bound
    return ratio(rise, bounded(ohm, bound * ohm, f"stimulus resistor {rheostat.name}"))


def _expected(setup: Setup) -> tuple[tuple[str, float], ...]:
    """Return the uncertainties of the pull currents and of the levels in every state."""
    found: dict[str, list[Estimate]] = {"wiper-pull-current": []}
    rise_v = typical(setup, "wiper-pull-current") * setup.bench.stimulus_resistance_ohm
    for rheostat in rheostats_of(setup):
        signal, samples = voltage_signal(rheostat.name), round(PULL_S * PULL_RATE_HZ)
        powered, without = (reading(setup, signal, volts, samples=samples) for volts in (rise_v, 0.0))
        found["wiper-pull-current"].append(_pulled(difference(powered, without), setup, rheostat))
    rate_hz, stretch_s = sample_rate_hz(setup, PERIODS), periods_s(setup, PERIODS)
    for output in outputs_of(setup):
        asked = expected_level(output, rheostat_for(setup, output).open_travel)[0]
        opened, full = (
            level(setup, output, value, rate_hz=rate_hz, stretch_s=stretch_s) for value in (asked, output.high_level)
        )
        for key, entry in (
            (limit_of(output, "curve"), opened),
            (limit_of(output, "full-level"), full),
            (limit_of(output, "off-level"), near_off(setup, output, bus_voltage_v(setup))),
        ):
            found.setdefault(key, []).append(entry)
    return tuple((key, worst(*entries)) for key, entries in found.items())


def _asked_v(rheostat: Rheostat, state: str) -> float:
    return {"open": rheostat.open_voltage_v, "top": rheostat.full_travel_v, "ground": 0.0}[state]


def _look_s(setup: Setup) -> float:
    return SETTLE_S + periods_s(setup, PERIODS)
