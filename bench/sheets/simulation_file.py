"""The `[simulation]` table of a unit sheet as it stands in TOML, and the quantities it may name."""

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field, PlainValidator

from bench.sheets import units
from bench.sheets.fields import FindingPattern, Name, Table, Title, fault, shown_as
from bench.sheets.units import Quantity

# Every quantity a twin knows, by the group of members it belongs to, and what its figure is written in.
# The names are those of `instruments.simulated.parameters.TwinParameters`. None: the group decides.
_DISCRETE = {
    "threshold_active_v": units.VOLTAGE,
    "threshold_inactive_v": units.VOLTAGE,
    "pull_ohm": units.RESISTANCE,
    "pull_v": units.VOLTAGE,
    "debounce_scans": units.COUNT,
    "stuck": units.COUNT,
    "inverted": units.COUNT,
    "ground_short_s": units.CONDUCTANCE,
    "bridge_s": units.CONDUCTANCE,
    "drop_out_changes": units.COUNT,
    "drop_out_s": units.TIME,
    "drop_out_chance": units.PERCENT,
    "noise_v": units.VOLTAGE,
}


def _dimmer(level: Quantity) -> dict[str, Quantity]:
    return {
        **dict.fromkeys(("offset_level", "high_level", "floor_level", "missing_level"), level),
        **dict.fromkeys(("sag", "gain", "bus_per_volt"), units.PERCENT),
        **dict.fromkeys(("stuck", "latches"), units.COUNT),
        **dict.fromkeys(("drop_ohm", "off_ohm"), units.RESISTANCE),
        "limit_a": units.CURRENT,
    }


QUANTITIES: Mapping[str, Mapping[str, Quantity]] = {
    "unit": {
        "quiescent_a": units.CURRENT,
        "input_capacitance_f": units.CAPACITANCE,
        "input_short_s": units.CONDUCTANCE,
        "ground_ohm": units.RESISTANCE,
        "scan_s": units.TIME,
        "ready_s": units.TIME,
        "cold_start_v": units.VOLTAGE,
        "warm_start_v": units.VOLTAGE,
        "reset_v": units.VOLTAGE,
        "lockout_v": units.VOLTAGE,
        "release_v": units.VOLTAGE,
        "bus_wait_s": units.TIME,
        "airspeed_lost_s": units.TIME,
        "airspeed_scale": units.COUNT,
        "airspeed_unchecked": units.COUNT,
        "airspeed_unbounded": units.COUNT,
        "airspeed_any_unit": units.COUNT,
        "trim_feed_ohm": units.RESISTANCE,
        "settings_off": units.COUNT,
        "firmware": units.COUNT,
        "setting_lost_start": units.COUNT,
        "sense_gain": units.PERCENT,
        "hang_from_v_per_s": units.VOLTAGE_RATE,
        "hang_to_v_per_s": units.VOLTAGE_RATE,
        "dip_hang_v": units.VOLTAGE,
        "dip_hang_from_s": units.TIME,
        "dip_hang_to_s": units.TIME,
        "latch_low_v": units.VOLTAGE,
        "latch_high_v": units.VOLTAGE,
        "latch_s": units.TIME,
        "loses_edges": units.COUNT,
        "rheostats_crossed": units.COUNT,
        "forgets_settings": units.COUNT,
        "hang_s": units.TIME,
        "watchdog_per_hour": units.COUNT,
    },
    "active-low": _DISCRETE,
    "active-high": _DISCRETE,
    "switch": {"debounce_scans": units.COUNT, "uncut": units.COUNT},
    "axis": {
        "positive_ohm": units.RESISTANCE,
        "negative_ohm": units.RESISTANCE,
        "positive_dead": units.COUNT,
        "negative_dead": units.COUNT,
        "cut_off_s": units.TIME,
        "leakage_a": units.CURRENT,
        "creep_v": units.VOLTAGE,
        "creep_s": units.TIME,
        "low_bus_ohm": units.RESISTANCE,
        "low_bus_v": units.VOLTAGE,
        "high_part": units.PERCENT,
        "positive_high_ohm": units.RESISTANCE,
        "negative_low_ohm": units.RESISTANCE,
        "brake_ohm": units.RESISTANCE,
        "reversal_s": units.TIME,
        "peak_trip_a": units.CURRENT,
        "peak_trip_s": units.TIME,
        "trip_a": units.CURRENT,
        "trip_s": units.TIME,
        "open_at_k": units.COUNT,
        "driver_k_per_w": units.COUNT,
        "driver_warm_s": units.TIME,
        "duty_offset": units.PERCENT,
        "positive_duty_fixed": units.PERCENT,
        "negative_duty_fixed": units.PERCENT,
        "leads_swapped": units.COUNT,
        "set_wrongly": units.COUNT,
        "priority_inverted": units.COUNT,
        "priority_delay_s": units.TIME,
        "opposing_drives": units.COUNT,
        "taps_accumulate": units.COUNT,
        "gap_restarts": units.COUNT,
        "never_rearms": units.COUNT,
        "stuck_blocks": units.COUNT,
        "latches": units.COUNT,
        "honours_held": units.COUNT,
        "honours_at_start": units.COUNT,
        "twitch_s": units.TIME,
        "twitch_part": units.PERCENT,
        "resumes_s": units.TIME,
    },
    "rheostat": {
        "pull_v": units.VOLTAGE,
        "pull_ohm": units.RESISTANCE,
        "open_travel": units.PERCENT,
        "reset_travel": units.PERCENT,
        "offset_v": units.VOLTAGE,
        "wander_v": units.VOLTAGE,
        "wander_hz": units.FREQUENCY,
    },
    "hold-up": {
        "level_v": units.VOLTAGE,
        "droop_ohm": units.RESISTANCE,
        "efficiency": units.PERCENT,
        "drop_out_v": units.VOLTAGE,
        "restart_v": units.VOLTAGE,
        "limit_a": units.CURRENT,
        "low_bus_limit_a": units.CURRENT,
        "dead": units.COUNT,
        "latches": units.COUNT,
        "output_f": units.CAPACITANCE,
        "esr_ohm": units.RESISTANCE,
        "bandwidth_hz": units.FREQUENCY,
        "recovery_s": units.TIME,
        "soft_start_s": units.TIME,
        "overshoot_v": units.VOLTAGE,
        "ripple_v": units.VOLTAGE,
        "ripple_hz": units.FREQUENCY,
        "back_s": units.CONDUCTANCE,
        "k_per_w": units.COUNT,
        "warm_s": units.TIME,
        "level_per_k": units.PERCENT,
    },
    "pwm": _dimmer(units.PERCENT) | {"frequency_hz": units.FREQUENCY},
    "dc": _dimmer(units.VOLTAGE) | {"ripple_v": units.VOLTAGE, "ripple_hz": units.FREQUENCY},
}
_ANY_QUANTITY = (
    units.VOLTAGE,
    units.CURRENT,
    units.RESISTANCE,
    units.CAPACITANCE,
    units.CONDUCTANCE,
    units.TIME,
    units.FREQUENCY,
    units.VOLTAGE_RATE,
    units.PERCENT,
    units.COUNT,
)


def _figure(found: object) -> tuple[float, Quantity]:
    try:
        return units.read_any(found, _ANY_QUANTITY)
    except ValueError as refusal:
        raise fault(str(refusal), "1 V") from refusal


def _flat_name(found: object) -> str:
    """Check the flat name of a quantity: `member.quantity`."""
    if isinstance(found, str) and found.count(".") == 1:
        return found
    raise fault(f'found {units.show(found)}, wanted a quantity such as "discrete-1.threshold_active_v"', "unit.scan_s")


Figure = Annotated[
    tuple[float, Quantity], PlainValidator(_figure, json_schema_input_type=shown_as("a figure with its unit", "1 V"))
]
FlatName = Annotated[str, PlainValidator(_flat_name, json_schema_input_type=shown_as("member.quantity", "unit.scan_s"))]
QuantityName = Annotated[str, Field(min_length=1, max_length=40)]


class QuantityTable(Table):
    """An entry of `[simulation.quantities.*]`; without `sd` the nominal value is every unit's."""

    nominal: Figure
    sd: Figure | None = None
    low: Figure | None = None
    high: Figure | None = None
    limit: Name | None = None
    uncertainty: Figure | None = None


class DerivedTable(Table):
    """An entry of `[[simulation.derived]]`: minuend less subtrahend must lie from low to high."""

    title: Title
    of: Name
    minuend: QuantityName
    subtrahend: QuantityName
    low: Figure | None = None
    high: Figure | None = None


class DefectTable(Table):
    """An entry of a unit's `[[simulation.defects]]`."""

    id: Name
    title: Title
    function: Name
    caught_by: Annotated[tuple[Name, ...], Field(min_length=1)]  # procedures
    findings: Annotated[tuple[FindingPattern, ...], Field(min_length=1)]  # of those, which fail
    caught_in: Name | None = None  # a plan, where no single run of the procedures shows it
    deviations: Annotated[dict[FlatName, Figure], Field(min_length=1)]


class NotCaughtTable(Table):
    """An entry of a unit's `[[simulation.not-caught]]`: a way it can be wrong that no procedure finds, and why."""

    id: Name
    title: Title
    function: Name
    because: Title


class SimulationTable(Table):
    """`[simulation]` of a unit sheet."""

    quantities: dict[Name, dict[QuantityName, QuantityTable]]
    derived: tuple[DerivedTable, ...] = ()
    defects: tuple[DefectTable, ...] = ()
    not_caught: tuple[NotCaughtTable, ...] = ()
