"""Panel dimming over the bus voltage: every output at half travel, from the lowest to the highest normal bus.

PWM is judged by its duty: the height of its pulses is the bus by nature. DC outputs are judged by their volts.
"""

from collections.abc import Iterable
from dataclasses import replace

from analysis.measurement import Measurement, Result
from test_plans.conditions import bus_voltage_v
from test_plans.dimming_bench import (
    dimming_function,
    dimming_needs,
    drive_all,
    levels_capture,
    outputs_of,
    periods_s,
    rheostat_for,
    sample_rate_hz,
    signals_of,
    wake,
)
from test_plans.dimming_expected import level
from test_plans.dimming_levels import SETTLE_S, expected_level, level_of, relative_percent, steady_doubts, travel_of
from test_plans.expected import worst
from test_plans.model_gaps import without_dimming
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.rig import Rig
from test_plans.sheets import DimmingOutput, Setup

TRAVEL = 0.5
PERIODS = 72
RATE_V_PER_S = 5.0
SUPPLY_SETTLES_S = 0.2


class DimmingBus:
    """How much a level depends on the bus."""

    name = "dimming-bus"
    title = "Panel dimming over the bus voltage"
    conditions = ("voltage_v", "current_limit_a", "rheostats")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the dimming's function."""
        return (dimming_function(setup),)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_dimming(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one short capture per bus voltage."""
        volts = _buses_v(setup)
        captures = tuple(
            levels_capture(setup, name, n_periods=PERIODS, duration_s=_duration_s(setup), bus_v=bus_v)
            for name, bus_v in volts.items()
        )
        travelled_v = 2.0 * (max(volts.values()) - min(volts.values()))
        needs = dimming_needs(setup, captures, (("dimming-bus-dependence", _expected(setup)),))
        going_s = len(volts) * SUPPLY_SETTLES_S + travelled_v / RATE_V_PER_S
        return replace(needs, bench_time_s=needs.bench_time_s + going_s, highest_voltage_v=max(volts.values()))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Look at nominal voltage first, then at both ends, and go back."""
        wake(rig, setup)
        drive_all(rig, setup, TRAVEL)
        for name, bus_v in _buses_v(setup).items():
            rig.ramp_supply(bus_v, rate_v_per_s=RATE_V_PER_S)
            rig.wait(SUPPLY_SETTLES_S)
            with rig.capture(name, signals_of(setup), sample_rate_hz=sample_rate_hz(setup, PERIODS)) as session:
                session.wait_until(_duration_s(setup))
        rig.ramp_supply(bus_voltage_v(setup), rate_v_per_s=RATE_V_PER_S)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give every output's change against its level at nominal voltage, at both ends."""
        records = {name: Record(evidence, name) for name in _buses_v(setup)}
        for output in outputs_of(setup):
            for name in ("low-bus", "high-bus"):
                yield self._dependence(records["nominal-bus"], records[name], setup, output, name)

    def _dependence(
        self, nominal: Record, record: Record, setup: Setup, output: DimmingOutput, name: str
    ) -> Measurement:
        bus_v = _buses_v(setup)[name]
        levels = []
        for at, voltage_v in ((record, bus_v), (nominal, bus_voltage_v(setup))):
            until_s = _duration_s(setup)
            spoilt = (
                *steady_doubts(at, setup, SETTLE_S, until_s),
                *travel_of(at, rheostat_for(setup, output), SETTLE_S, until_s).doubts,
            )
            levels.append(level_of(at, setup, output, SETTLE_S, until_s, bus_v=voltage_v, spoilt=spoilt).value)
        return relative_percent(*levels).measurement(
            id=f"{output.name}.{name}",
            limit="dimming-bus-dependence",
            title=f"{output.title}: change of its level at {bus_v:g} V",
            function=dimming_function(setup),
            quantity_unit="%",
            pins=(output.pin, setup.unit.power_pin),
            notes=(f"of its level at {bus_voltage_v(setup):g} V, at half travel",),
        )


def _expected(setup: Setup) -> float:
    """Return the uncertainty of a level at an end of the bus against that at nominal."""
    rate_hz, stretch_s, changes = sample_rate_hz(setup, PERIODS), periods_s(setup, PERIODS), []
    for output in outputs_of(setup):
        half = expected_level(output, TRAVEL)[0]
        end, nominal = (
            level(setup, output, half, rate_hz=rate_hz, stretch_s=stretch_s, when=when) for when in ("end", "nominal")
        )
        changes.append(relative_percent(end, nominal))
    return worst(*changes)


def _buses_v(setup: Setup) -> dict[str, float]:
    unit = setup.unit
    return {
        "nominal-bus": bus_voltage_v(setup),
        "low-bus": unit.lowest_voltage_v,
        "high-bus": unit.highest_voltage_v,
    }


def _duration_s(setup: Setup) -> float:
    return SETTLE_S + periods_s(setup, PERIODS)
