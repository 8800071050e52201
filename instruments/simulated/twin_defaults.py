"""Quantities of a middling twin, for everything its drawn quantities leave out."""

import math

from instruments.simulated.parameters import TwinParameters

UNIT_DEFAULTS = {
    "unit.quiescent_a": 0.15,
    "unit.input_capacitance_f": 2.2e-3,
    "unit.input_short_s": 0.0,
    "unit.ground_ohm": 0.005,
    "unit.scan_s": 0.005,
    "unit.ready_s": 0.6,
    "unit.cold_start_v": 10.0,
    "unit.warm_start_v": 5.5,
    "unit.reset_v": 4.5,
    "unit.lockout_v": 8.0,
    "unit.release_v": 8.8,
    "unit.bus_wait_s": 0.002,
    "unit.loses_edges": 0.0,
    "unit.airspeed_scale": 1.0,
    "unit.airspeed_unchecked": 0.0,
    "unit.airspeed_any_unit": 0.0,
    "unit.airspeed_unbounded": 0.0,
    "unit.trim_feed_ohm": 0.0,
    "unit.settings_off": 0.0,
    "unit.firmware": 1.0,
    "unit.setting_lost_start": 0.0,
    "unit.sense_gain": 100.0,
    "unit.hang_from_v_per_s": 0.0,
    "unit.hang_to_v_per_s": 0.0,
    "unit.dip_hang_v": 0.0,
    "unit.dip_hang_from_s": 0.0,
    "unit.dip_hang_to_s": 0.0,
    "unit.latch_low_v": 0.0,
    "unit.latch_high_v": 0.0,
    "unit.latch_s": 0.0,
    "unit.rheostats_crossed": 0.0,
    "unit.forgets_settings": 0.0,
    "unit.hang_s": 0.0,
    "unit.watchdog_per_hour": 0.0,
}
ACTIVE_LOW_DEFAULTS = {"threshold_active_v": 1.6, "threshold_inactive_v": 2.6, "pull_ohm": 4700.0, "pull_v": 5.0}
ACTIVE_HIGH_DEFAULTS = {"threshold_active_v": 4.0, "threshold_inactive_v": 3.0, "pull_ohm": 22000.0, "pull_v": 0.0}
DISCRETE_DEFAULTS = {
    "debounce_scans": 4.0,
    "stuck": 0.0,
    "inverted": 0.0,
    "ground_short_s": 0.0,
    "bridge_s": 0.0,
    "drop_out_changes": 0.0,
    "drop_out_s": 0.0,
    "drop_out_chance": 0.0,
    "noise_v": 0.0,
}
SWITCH_DEFAULTS = {"debounce_scans": 4.0, "uncut": 0.0}
AXIS_DEFAULTS = {
    "positive_ohm": 0.2,
    "negative_ohm": 0.2,
    "positive_dead": 0.0,
    "negative_dead": 0.0,
    "cut_off_s": 4.0,
    "leakage_a": 1e-4,
    "creep_v": 0.0,
    "creep_s": 0.0,
    "low_bus_ohm": 0.0,
    "low_bus_v": 12.0,
    "high_part": 50.0,
    "positive_high_ohm": 0.0,
    "negative_low_ohm": 0.0,
    "brake_ohm": 0.2,
    "reversal_s": 0.030,
    "peak_trip_a": 10.0,
    "peak_trip_s": 0.0002,
    "trip_a": 0.0,
    "trip_s": 0.1,
    "open_at_k": 0.0,
    "driver_k_per_w": 30.0,
    "driver_warm_s": 120.0,
    "duty_offset": 0.0,
    "positive_duty_fixed": 0.0,
    "negative_duty_fixed": 0.0,
    "leads_swapped": 0.0,
    "set_wrongly": 0.0,
    "priority_inverted": 0.0,
    "priority_delay_s": 0.0,
    "opposing_drives": 0.0,
    "taps_accumulate": 0.0,
    "gap_restarts": 0.0,
    "never_rearms": 0.0,
    "stuck_blocks": 0.0,
    "latches": 0.0,
    "honours_held": 0.0,
    "honours_at_start": 0.0,
    "twitch_s": 0.0,
    "twitch_part": 0.0,
    "resumes_s": 0.0,
}
DIMMER_DEFAULTS = {
    "drop_ohm": 0.1,
    "limit_a": 1.2,
    "latches": 0.0,
    "off_ohm": 1e5,
    "stuck": 0.0,
    "floor_level": 0.0,
    "missing_level": 0.0,
    "sag": 0.0,
    "gain": 100.0,
    "bus_per_volt": 0.0,
}
RIPPLE_DEFAULTS = {"ripple_v": 0.0, "ripple_hz": 2000.0}  # of a DC dimming output
HOLD_UP_DEFAULTS = {
    "level_v": 12.5,
    "droop_ohm": 0.02,
    "efficiency": 87.0,
    "drop_out_v": 5.4,
    "restart_v": 7.0,
    "limit_a": 5.5,
    "low_bus_limit_a": 100.0,
    "dead": 0.0,
    "latches": 0.0,
    "output_f": 470e-6,
    "esr_ohm": 0.02,
    "bandwidth_hz": 2500.0,
    "recovery_s": 0.0004,
    "soft_start_s": 0.001,
    "overshoot_v": 0.0,
    "ripple_v": 0.0,
    "ripple_hz": 9000.0,
    "back_s": 0.0,
    "k_per_w": 5.0,
    "warm_s": 120.0,
    "level_per_k": 0.0,
}
RHEOSTAT_DEFAULTS = {  # a wiper input without a pull of its own
    "pull_v": 0.0,
    "pull_ohm": math.inf,
    "open_travel": 0.0,
    "reset_travel": 0.0,
    "offset_v": 0.0,
    "wander_v": 0.0,
    "wander_hz": 5.0,
}


def twin_defaults(twin: TwinParameters) -> dict[str, float]:
    """Return every quantity a twin of this structure has, by flat name, at its default."""
    defaults = UNIT_DEFAULTS | {"unit.airspeed_lost_s": twin.airspeed.lost_s}
    for discrete in twin.discretes:
        levels = ACTIVE_LOW_DEFAULTS if discrete.active_low else ACTIVE_HIGH_DEFAULTS
        defaults.update({f"{discrete.name}.{key}": value for key, value in (levels | DISCRETE_DEFAULTS).items()})
    for switch in twin.switches:
        defaults.update({f"{switch.name}.{key}": value for key, value in SWITCH_DEFAULTS.items()})
    for bridge in twin.bridges:
        defaults.update({f"{bridge.name}.{key}": value for key, value in AXIS_DEFAULTS.items()})
    for dimmer in twin.dimmers:
        levels = {
            "frequency_hz": 240.0,
            "offset_level": 0.0,
            "high_level": dimmer.high_level,
            **DIMMER_DEFAULTS,
            **({} if dimmer.pwm else RIPPLE_DEFAULTS),
        }
        defaults.update({f"{dimmer.name}.{key}": value for key, value in levels.items()})
    for output in twin.hold_ups:
        defaults.update({f"{output.name}.{key}": value for key, value in HOLD_UP_DEFAULTS.items()})
    for rheostat in twin.rheostats:
        defaults.update({f"{rheostat.name}.{key}": value for key, value in RHEOSTAT_DEFAULTS.items()})
    return defaults


def twin_quantities(twin: TwinParameters) -> dict[str, float]:
    """Return the twin's quantities with the defaults filled in.

    Raises:
        ValueError: a quantity is named that a twin of this structure does not have.
    """
    defaults = twin_defaults(twin)
    unknown = sorted(set(twin.quantities) - set(defaults))
    if unknown:
        raise ValueError(f"twin: unknown quantities {', '.join(unknown)}. Check them against the unit sheet's names.")
    return defaults | dict(twin.quantities)
