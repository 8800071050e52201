"""Limits and the one unit each is written in: a closed list, so that a misspelt limit can't go unused."""

from typing import Annotated

from pydantic import PlainValidator

from bench.sheets.fields import fault
from bench.sheets.units import (
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
    "quiescent-current": CURRENT,
    "unpowered-current": CURRENT,
    "idle-output": VOLTAGE,
    "ready-time": TIME,
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
    "high-pull-current": CURRENT,
    "discrete-latency": TIME,
    "pwm-frequency": FREQUENCY,
    "pwm-curve": PERCENT,
    "dc-curve": VOLTAGE,
    "trim-drop": VOLTAGE,
    "trim-drop-difference": VOLTAGE,
    "trim-idle-current": CURRENT,
    "trim-cut-off": TIME,
    "discharge-voltage": VOLTAGE,
}


def _figure(found: object) -> tuple[float, Quantity]:
    try:
        return read_any(found, MEASURABLE)
    except ValueError as refusal:
        raise fault(str(refusal), "1 V") from refusal


AnyFigure = Annotated[tuple[float, Quantity], PlainValidator(_figure)]


def quantity_of(*figures: tuple[float, Quantity] | None) -> Quantity:
    """Return the quantity of the first figure that is given.

    Raises:
        ValueError: none is.
    """
    for figure in figures:
        if figure is not None:
            return figure[1]
    raise ValueError("no figure is given")
