"""Panel dimming, flicker: slow modulation of every output at a low, a middle and a high setting.

A PWM is looked at duty by duty, a DC output in means of 4 ms; the largest line from 0.5 to 30 Hz counts.
"""

import math
from collections.abc import Iterable

from analysis.measurement import Measurement, Result
from analysis.modulation import Modulation, block_means, duty_series, modulation
from analysis.uncertainty import Estimate, bounded, combined, scaled
from test_plans.conditions import bus_voltage_v
from test_plans.dimming_bench import (
    dimming_function,
    dimming_needs,
    drive_all,
    levels_capture,
    outputs_of,
    sample_rate_hz,
    signals_of,
    wake,
)
from test_plans.dimming_expected import slow_line_percent
from test_plans.dimming_levels import SETTLE_S, is_pwm, steady_doubts
from test_plans.model_gaps import without_dimming
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import DimmingOutput, Setup
from test_plans.signals import voltage_signal

TRAVELS = (0.1, 0.5, 0.9)
LOWEST_HZ = 0.5
HIGHEST_HZ = 30.0
LOOK_S = 4.5  # two cycles of the lowest, and a little more
BLOCK_S = 0.004
PERIODS = 1000  # about what a look holds


class DimmingFlicker:
    """Slow modulation at three levels."""

    name = "dimming-flicker"
    title = "Panel dimming: flicker at three levels"
    conditions = ("voltage_v", "current_limit_a", "rheostats")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the dimming's function."""
        return (dimming_function(setup),)

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_dimming(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture of all outputs per level."""
        volts = bus_voltage_v(setup)
        captures = tuple(
            levels_capture(setup, _name(travel), n_periods=PERIODS, duration_s=SETTLE_S + LOOK_S, bus_v=volts)
            for travel in TRAVELS
        )
        return dimming_needs(setup, captures, (("dimming-modulation", _expected(setup)),))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Set each level and look at it for a while."""
        wake(rig, setup)
        for travel in TRAVELS:
            drive_all(rig, setup, travel)
            with rig.capture(
                _name(travel), signals_of(setup), sample_rate_hz=sample_rate_hz(setup, PERIODS)
            ) as session:
                session.wait_until(SETTLE_S + LOOK_S)
        rig.idle_inputs()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the largest slow modulation of every output at every level."""
        for output in outputs_of(setup):
            for travel in TRAVELS:
                yield self._modulation(Record(evidence, _name(travel)), setup, output, travel)

    def _modulation(self, record: Record, setup: Setup, output: DimmingOutput, travel: float) -> Measurement:
        found, estimate = _look(record, output)
        spoilt = (
            *record.doubts((voltage_signal(output.name),), SETTLE_S, SETTLE_S + LOOK_S),
            *steady_doubts(record, setup, SETTLE_S, SETTLE_S + LOOK_S),
        )
        at = f"at {found.frequency_hz:.1f} Hz, " if math.isfinite(found.frequency_hz) else ""
        return doubted(estimate, *spoilt).measurement(
            id=f"{output.name}.modulation.{round(100 * travel)}",
            limit="dimming-modulation",
            title=f"{output.title}: slow modulation at {100 * travel:.0f} % of travel",
            function=dimming_function(setup),
            quantity_unit="%",
            pins=(output.pin,),
            notes=(f"{at}in per cent of full, largest line from {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz",),
        )


def _expected(setup: Setup) -> float:
    rate_hz = sample_rate_hz(setup, PERIODS)
    return max(
        (slow_line_percent(setup, one, rate_hz=rate_hz, look_s=LOOK_S, block_s=BLOCK_S) for one in outputs_of(setup)),
        default=0.0,
    )


NONE = Modulation(amplitude=0.0, frequency_hz=math.nan, u_amplitude=0.0)


def _look(record: Record, output: DimmingOutput) -> tuple[Modulation, Estimate]:
    """Return the largest line, and its amplitude in per cent of full."""
    samples = record.samples(voltage_signal(output.name), SETTLE_S, SETTLE_S + LOOK_S)
    if record.capture is None or not samples.size:
        return NONE, nothing(*record.missing)
    rate_hz = record.capture.sample_rate_hz
    where = f"{output.name} in {record.name}"
    if not is_pwm(output):
        length = max(1, round(BLOCK_S * rate_hz))
        found = modulation(block_means(samples, length), rate_hz / length, lowest_hz=LOWEST_HZ, highest_hz=HIGHEST_HZ)
        return found, scaled(_amplitude(found, 0.0, where, record), 100.0 / output.high_level)
    series = duty_series(samples, rate_hz)
    if not series.duties.size:  # a constant level is not modulated; what level it is, the curve says
        return NONE, Estimate(value=0.0, captures=record.names)
    found = modulation(
        series.duties, series.rate_hz, lowest_hz=LOWEST_HZ, highest_hz=min(HIGHEST_HZ, 0.5 * series.rate_hz)
    )
    # Where periods and samples nearly fit, rounding itself beats slowly: two edges, each a saw tooth of one sample.
    return found, scaled(_amplitude(found, 2.0 * series.resolution / math.pi, where, record), 100.0)


def _amplitude(found: Modulation, rounding: float, where: str, record: Record) -> Estimate:
    noise = bounded(0.0, math.sqrt(3.0) * found.u_amplitude, f"noise of the line, {where}")
    rounded = bounded(0.0, rounding, f"rounding of edges to samples, {where}")
    together = combined(found.amplitude, ((noise, 1.0), (rounded, 1.0)))
    return Estimate(value=together.value, terms=together.terms, captures=record.names)


def _name(travel: float) -> str:
    return f"at-{round(100 * travel)}"
