"""Quantities of a middling twin, for everything its drawn quantities leave out."""

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
}
ACTIVE_LOW_DEFAULTS = {"threshold_active_v": 1.6, "threshold_inactive_v": 2.6, "pull_ohm": 4700.0, "pull_v": 5.0}
ACTIVE_HIGH_DEFAULTS = {"threshold_active_v": 4.0, "threshold_inactive_v": 3.0, "pull_ohm": 22000.0, "pull_v": 0.0}
DISCRETE_DEFAULTS = {"debounce_scans": 4.0, "stuck": 0.0, "ground_short_s": 0.0}
SWITCH_DEFAULTS = {"debounce_scans": 4.0}
AXIS_DEFAULTS = {
    "positive_ohm": 0.2,
    "negative_ohm": 0.2,
    "positive_dead": 0.0,
    "negative_dead": 0.0,
    "cut_off_s": 4.0,
    "leakage_a": 1e-4,
    "creep_v": 0.0,
    "creep_s": 0.0,
}


def twin_defaults(twin: TwinParameters) -> dict[str, float]:
    """Return every quantity a twin of this structure has, by flat name, at its default."""
    defaults = dict(UNIT_DEFAULTS)
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
            "drop_ohm": 0.1,
        }
        defaults.update({f"{dimmer.name}.{key}": value for key, value in levels.items()})
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
