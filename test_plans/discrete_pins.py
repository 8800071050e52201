"""A discrete's pin between stimulus resistor and pull resistor, and how long its report takes."""

from dataclasses import dataclass

from analysis.uncertainty import Estimate, bounded, total
from test_plans.delayed_crossing import Delay
from test_plans.driving import STIMULUS_MAX_V
from test_plans.expected import reading
from test_plans.sheets import BenchFacts, Discrete, Sense, Setup, UnitSheet
from test_plans.signals import voltage_signal

RAMP_RATE_V_PER_S = 0.5
BEYOND_V = 1.2  # a ramp runs this far past the nominal thresholds: a fault has to show as a value, not as nothing
BUS_WAIT_S = 0.002  # longest wait for a free bus with one frame ahead
BITS_PER_FRAME = 135  # 11-bit identifier, 8 data bytes, stuff bits included


@dataclass(frozen=True, slots=True, kw_only=True)
class PinRamp:
    """Drive levels behind the stimulus resistor for a ramp of given rate at the pin."""

    inactive_v: float
    active_v: float
    duration_s: float


def drive_for(discrete: Discrete, facts: BenchFacts, pin_v: float) -> float:
    """Return the drive level that puts a good unit's pin to `pin_v`, cut to what a stimulus can do."""
    share = facts.stimulus_resistance_ohm / (facts.stimulus_resistance_ohm + discrete.pull_resistance_ohm)
    drive_v = (pin_v - share * discrete.pull_voltage_v) / (1.0 - share)
    return min(STIMULUS_MAX_V, max(0.0, drive_v))


def pin_for(discrete: Discrete, facts: BenchFacts, drive_v: float) -> float:
    """Return where a good unit's pin stands at a drive level."""
    share = facts.stimulus_resistance_ohm / (facts.stimulus_resistance_ohm + discrete.pull_resistance_ohm)
    return drive_v * (1.0 - share) + share * discrete.pull_voltage_v


def ramp_of(discrete: Discrete, facts: BenchFacts, rate_v_per_s: float) -> PinRamp:
    """Return the ramp over both thresholds, `BEYOND_V` further on each side where the stimulus reaches."""
    low_v = min(discrete.threshold_active_v, discrete.threshold_inactive_v) - BEYOND_V
    high_v = max(discrete.threshold_active_v, discrete.threshold_inactive_v) + BEYOND_V
    lowest, highest = drive_for(discrete, facts, low_v), drive_for(discrete, facts, high_v)
    swing_v = pin_for(discrete, facts, highest) - pin_for(discrete, facts, lowest)
    duration_s = swing_v / rate_v_per_s
    if discrete.sense is Sense.ACTIVE_LOW:
        return PinRamp(inactive_v=highest, active_v=lowest, duration_s=duration_s)
    return PinRamp(inactive_v=lowest, active_v=highest, duration_s=duration_s)


def scan_s(unit: UnitSheet) -> float:
    """Return the time of one scan of the unit's inputs, from its debounce; 0 for a model that debounces nothing.

    Of pulses, n - 1 scans are surely rejected and n + 1 surely accepted, so a scan is half the difference.
    """
    return 0.5 * (unit.debounce_accepts_s - unit.debounce_rejects_s)


def report_delay(setup: Setup) -> Delay:
    """Return the delay from a pin's crossing to its report at the host, from the sheet's debounce.

    The n-th equal scan comes n - 1 to n scans after the crossing, the report one scan later and after up to 2 ms of
    waiting for the bus; then the frame itself and the host's own uncertainty.
    """
    unit = setup.unit
    one_s = scan_s(unit)
    frame_s = BITS_PER_FRAME / unit.bus.bit_rate
    shortest_s = unit.debounce_rejects_s + one_s + 0.8 * frame_s
    longest_s = unit.debounce_rejects_s + 2.0 * one_s + BUS_WAIT_S + frame_s + setup.bench.report_time_bound_s
    return Delay.between(shortest_s, longest_s)


def expected_threshold(setup: Setup, discrete: Discrete, level_v: float, *, rate_v_per_s: float) -> Estimate:
    """Return where a pin on a ramp will be found to stand when its report changes: its channel and the delay."""
    moved = bounded(0.0, rate_v_per_s * report_delay(setup).bound_s, f"delay at {level_v:g} V")
    return total(reading(setup, voltage_signal(discrete.name), level_v), moved)
