"""Limits and the one unit each is written in: a closed list, so that a misspelt limit can't go unused."""

from typing import Annotated

from pydantic import PlainValidator

from bench.sheets.fields import fault, shown_as
from bench.sheets.units import (
    AIRSPEED,
    CAPACITANCE,
    CONDUCTANCE,
    CURRENT,
    FREQUENCY,
    MEASURABLE,
    PERCENT,
    RESISTANCE,
    TIME,
    VOLTAGE,
    Quantity,
    read_any,
)

LIMIT_QUANTITIES = {
    "soak-hold-up-drift": PERCENT,
    "soak-quiescent-drift": PERCENT,
    "soak-drop-drift": PERCENT,
    "soak-level-drift": PERCENT,
    "soak-frequency-drift": PERCENT,
    "soak-clock-drift": PERCENT,
    "quiescent-current": CURRENT,
    "unpowered-current": CURRENT,
    "idle-output": VOLTAGE,
    "ready-time": TIME,
    "reset-duration": TIME,
    "ground-resistance": RESISTANCE,
    "reset-voltage": VOLTAGE,
    "lock-out-voltage": VOLTAGE,
    "release-voltage": VOLTAGE,
    "low-threshold-active": VOLTAGE,
    "low-threshold-inactive": VOLTAGE,
    "low-hysteresis": VOLTAGE,
    "low-pull-current": CURRENT,
    "high-threshold-active": VOLTAGE,
    "high-threshold-inactive": VOLTAGE,
    "high-hysteresis": VOLTAGE,
    "discrete-latency": TIME,
    "low-contact-resistance": RESISTANCE,
    "low-ground-lift": VOLTAGE,
    "low-leakage": CONDUCTANCE,
    "low-open-voltage": VOLTAGE,
    "high-open-voltage": VOLTAGE,
    "high-input-current": CURRENT,
    "longest-rejected": TIME,
    "shortest-accepted": TIME,
    "pwm-frequency": FREQUENCY,
    "pwm-curve": PERCENT,
    "dc-curve": VOLTAGE,
    "pwm-off-level": PERCENT,
    "dc-off-level": VOLTAGE,
    "pwm-full-level": PERCENT,
    "dc-full-level": VOLTAGE,
    "pwm-step": PERCENT,
    "dc-step": VOLTAGE,
    "pwm-frequency-spread": FREQUENCY,
    "dimming-dead-travel": PERCENT,
    "dimming-linearity": PERCENT,
    "dimming-hysteresis": PERCENT,
    "dimming-tracking": PERCENT,
    "dimming-cross-talk": PERCENT,
    "dimming-modulation": PERCENT,
    "dimming-bus-dependence": PERCENT,
    "dimming-regulation": VOLTAGE,
    "dc-ripple": VOLTAGE,
    "dimming-short-current": CURRENT,
    "dimming-sister-change": PERCENT,
    "dimming-recovery": PERCENT,
    "dimming-off-current": CURRENT,
    "wiper-pull-current": CURRENT,
    "input-capacitance": CAPACITANCE,
    "hold-up-voltage": VOLTAGE,
    "hold-up-efficiency": PERCENT,
    "hold-up-drop-out": VOLTAGE,
    "hold-up-restart": VOLTAGE,
    "hold-up-ride-through": TIME,
    "hold-up-load-regulation": VOLTAGE,
    "hold-up-overshoot": VOLTAGE,
    "hold-up-dip": VOLTAGE,
    "hold-up-step-recovery": TIME,
    "hold-up-ripple": VOLTAGE,
    "hold-up-limit-current": CURRENT,
    "hold-up-overload-recovery": TIME,
    "hold-up-reverse-current": CURRENT,
    "hold-up-back-fed-bus": VOLTAGE,
    "hold-up-dip-depth": VOLTAGE,
    "logic-dip-depth": VOLTAGE,
    "trim-drop": VOLTAGE,
    "trim-drop-difference": VOLTAGE,
    "trim-idle-current": CURRENT,
    "trim-cut-off": TIME,
    "trim-latency": TIME,
    "trim-tap-transfer": TIME,
    "trim-hand-over": TIME,
    "trim-drop-together": VOLTAGE,
    "trim-drop-by-bus": VOLTAGE,
    "trim-speed-curve": PERCENT,
    "trim-speed-gap": AIRSPEED,
    "trim-airspeed-lost": TIME,
    "trim-leg-drop": VOLTAGE,
    "trim-leg-difference": VOLTAGE,
    "trim-stop-time": TIME,
    "trim-reversal-gap": TIME,
    "trim-reversal-current": CURRENT,
    "trim-reversal-voltage": VOLTAGE,
    "trim-bridge-resistance": RESISTANCE,
    "trim-drop-linearity": VOLTAGE,
    "trim-trip-current": CURRENT,
    "trim-trip-time": TIME,
    "trim-short-time": TIME,
    "discharge-voltage": VOLTAGE,
}


def _figure(found: object) -> tuple[float, Quantity]:
    try:
        return read_any(found, MEASURABLE)
    except ValueError as refusal:
        raise fault(str(refusal), "1 V") from refusal


AnyFigure = Annotated[
    tuple[float, Quantity], PlainValidator(_figure, json_schema_input_type=shown_as("a figure with its unit", "1 V"))
]


def quantity_of(*figures: tuple[float, Quantity] | None) -> Quantity:
    """Return the quantity of the first figure that is given.

    Raises:
        ValueError: none is.
    """
    for figure in figures:
        if figure is not None:
            return figure[1]
    raise ValueError("no figure is given")
