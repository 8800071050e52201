import math

import pytest
from sheet_texts import dotterel

from bench.errors import UsageError
from bench.sheets import default_aircraft, list_defects, load_bench, load_bench_simulation, load_unit_simulation
from bench.simulation import simulated_parameters
from instruments.simulated.draw import draw_unit
from instruments.simulated.twin_defaults import twin_quantities

UNIT_DEFECTS = {
    "discrete-stuck": {"discrete-3.stuck": 1.0},
    "threshold-shifted": {"discrete-2.threshold_active_v": 2.5, "discrete-2.threshold_inactive_v": 3.5},
    "slow-debounce": {"discrete-5.debounce_scans": 18.0},  # of 5 ms: 90 ms
    "pull-up-open": {"discrete-6.pull_ohm": 10_004_700.0},
    "discrete-stuck-active": {"discrete-7.stuck": 2.0},
    "discrete-inverted": {"discrete-1.inverted": 1.0},
    "discretes-bridged": {"discrete-2.bridge_s": 10.0},
    "edges-lost": {"unit.loses_edges": 1.0},
    "debounce-missing": {"discrete-4.debounce_scans": 1.0},
    "debounce-late": {"discrete-9.debounce_scans": 6.0},
    "pull-up-weak": {"discrete-5.pull_ohm": 47_000.0},
    "discrete-leaks": {"discrete-6.ground_short_s": 2e-4},  # 5 kohm
    "clamp-leaks": {"discrete-3.pull_v": 8.0},
    "threshold-low": {"discrete-1.threshold_active_v": 0.7},
    "hysteresis-lost": {"discrete-2.threshold_inactive_v": 1.65},
    "comparator-chatters": {"discrete-3.noise_v": 0.3},
    "divider-open": {"discrete-8.stuck": 1.0, "discrete-8.pull_ohm": 10_022_000.0},
    "high-input-heavy": {"discrete-9.pull_ohm": 2000.0},
    "discrete-drops-out": {"discrete-8.drop_out_changes": 151.0, "discrete-8.drop_out_s": 0.040},
    "pwm-slow": {"pwm-1.frequency_hz": 100.0},
    "pwm-3-slow": {"pwm-3.frequency_hz": 200.0},
    "pwm-low-end": {"pwm-2.high_level": 85.0},
    "pwm-stuck-on": {"pwm-3.stuck": 2.0},
    "pwm-dead": {"pwm-4.stuck": 1.0},
    "rheostats-crossed": {"unit.rheostats_crossed": 1.0},
    "dimming-missing-code": {"pwm-1.missing_level": 6.0},
    "dimming-never-off": {"pwm-2.floor_level": 1.5},
    "dimming-tracking-off": {"pwm-3.sag": 12.0},
    "dc-gain-low": {"dc-2.gain": 94.0},
    "rheostat-leakage": {"rheostat-2.offset_v": 0.95},
    "dimming-follows-bus": {"pwm-1.bus_per_volt": 6.6},
    "rheostat-noisy": {"rheostat-1.wander_v": 0.25},
    "rheostat-open-dark": {"rheostat-1.open_travel": 0.0},
    "rheostat-pull-lost": {"rheostat-2.pull_ohm": 20_220_000.0},
    "dc-ripple-high": {"dc-1.ripple_v": 0.30},
    "dc-regulator-sags": {"dc-2.drop_ohm": 2.5},
    "dimming-limit-missing": {"pwm-2.limit_a": 4.2},
    "dimming-limit-latches": {"pwm-4.latches": 1.0},
    "dimming-back-feed": {"dc-1.off_ohm": 2000.0},
    "trim-direction-dead": {"pitch.positive_dead": 1.0},
    "trim-resistance-tripled": {"pitch.positive_ohm": 0.60, "pitch.negative_ohm": 0.60},
    "cut-off-late": {"pitch.cut_off_s": 4.32},
    "cut-off-never": {"pitch.cut_off_s": 1_000_004.0},
    "trim-leads-swapped": {"yaw.leads_swapped": 1.0},
    "trim-set-reversed": {"roll.set_wrongly": 1.0},
    "trim-driver-leaks": {"pitch.leakage_a": 0.010},
    "trim-pwm-stuck": {"pitch.positive_duty_fixed": 60.0, "pitch.negative_duty_fixed": 60.0},
    "trim-input-slow": {"pitch-right-down.debounce_scans": 28.0},  # of 5 ms: 140 ms
    "trim-taps-lost": {"roll-left-left.debounce_scans": 18.0},
    "trim-latency-high": {"pitch-right-up.debounce_scans": 14.0},
    "trim-priority-inverted": {"pitch.priority_inverted": 1.0},
    "trim-priority-late": {"pitch.priority_delay_s": 0.400},
    "trim-opposing-drives": {"pitch.opposing_drives": 1.0},
    "cut-off-one-seat": {"pitch-right-up.uncut": 1.0, "pitch-right-down.uncut": 1.0},
    "cut-off-late-yaw": {"yaw.cut_off_s": 4.32},
    "taps-accumulate": {"roll.taps_accumulate": 1.0},
    "gaps-restart-cut-off": {"pitch.gap_restarts": 1.0},
    "no-re-arm": {"pitch.never_rearms": 1.0},
    "stuck-switch-blocks": {"pitch.stuck_blocks": 1.0},
    "schedule-one-way": {"pitch.negative_duty_fixed": 100.0},
    "airspeed-in-mph": {"unit.airspeed_scale": 1.1508},
    "airspeed-absurd-believed": {"unit.airspeed_unbounded": 1.0},
    "airspeed-stale": {"unit.airspeed_lost_s": 1_000_003.0},
    "airspeed-lost-late": {"unit.airspeed_lost_s": 4.0},
    "trim-axis-resistance": {"roll.positive_ohm": 0.70, "roll.negative_ohm": 0.70},
    "trim-leg-resistance": {"roll.positive_high_ohm": 0.1},
    "trim-leg-to-ground": {"yaw.negative_low_ohm": 0.1},
    "trim-no-pause": {"pitch.reversal_s": 0.0},
    "trim-brake-slow": {"yaw.brake_ohm": 12.2},
    "trim-no-brake": {"pitch.brake_ohm": 1_000_000.2},
    "trim-trips-at-start": {"pitch.peak_trip_a": 2.5},
    "trim-feed-resistance": {"unit.trim_feed_ohm": 0.150},
    "trim-gate-weak": {"pitch.low_bus_ohm": 0.3},
    "trim-trip-high": {"pitch.trip_a": 3.75},
    "trim-trip-low": {"pitch.trip_a": 2.1},
    "trim-trips-under-load": {"pitch.trip_a": 0.7},
    "trim-trip-never": {"pitch.trip_a": 1003.0},
    "trim-short-unlimited": {"pitch.peak_trip_a": 1010.0},
    "trim-trip-slow": {"pitch.trip_s": 0.4},
    "trim-creep": {"pitch.creep_v": 1.5, "pitch.creep_s": 0.5},
    "lock-out-low": {"unit.lockout_v": 7.1},
    "reset-detector-high": {"unit.reset_v": 6.5, "unit.warm_start_v": 7.5},
    "ground-resistance-high": {"unit.ground_ohm": 0.050},
    "quiescent-high": {"unit.quiescent_a": 0.240},
    "input-shorted": {"unit.input_short_s": 5.0},  # 0.2 ohm
    "discrete-shorted": {"discrete-4.ground_short_s": 10.0},
    "set-up-for-another": {"unit.settings_off": 1.0},
    "input-capacitor-aged": {"unit.input_capacitance_f": 1.1e-3},
    "hold-up-dead": {"hold-up.dead": 1.0},
    "hold-up-low": {"hold-up.level_v": 11.8},
    "hold-up-soft": {"hold-up.droop_ohm": 0.22},
    "hold-up-inefficient": {"hold-up.efficiency": 78.0},
    "hold-up-limits-early": {"hold-up.limit_a": 3.5},
    "hold-up-drops-out-early": {"hold-up.drop_out_v": 6.15},
    "hold-up-lost-at-engine-start": {"hold-up.drop_out_v": 8.3, "hold-up.restart_v": 9.0},
    "hold-up-restarts-late": {"hold-up.restart_v": 7.8},
    "hold-up-weak-on-low-bus": {"hold-up.low_bus_limit_a": 2.6},
    "hold-up-no-hysteresis": {"hold-up.restart_v": 5.5},
    "hold-up-output-capacitor-aged": {"hold-up.esr_ohm": 0.22, "hold-up.ripple_v": 0.24},
    "hold-up-loop-slow": {"hold-up.bandwidth_hz": 250.0},
    "hold-up-oscillates": {"hold-up.ripple_v": 0.24, "hold-up.ripple_hz": 1200.0},
    "hold-up-limits-late": {"hold-up.limit_a": 10.0},
    "hold-up-latches": {"hold-up.latches": 1.0},
    "hold-up-overshoots": {"hold-up.overshoot_v": 3.0},
    "hold-up-starts-slowly": {"hold-up.soft_start_s": 1.5},
    "hold-up-back-feeds": {"hold-up.back_s": 2.0},
    "dip-hangs": {"unit.dip_hang_v": 7.5, "unit.dip_hang_from_s": 0.060, "unit.dip_hang_to_s": 0.120},
    "reset-stays-down": {"unit.latch_low_v": 2.3, "unit.latch_high_v": 2.9, "unit.latch_s": 0.5},
    "dc-never-off": {"dc-1.floor_level": 0.9},
    "trim-leg-on-bus": {"roll.creep_v": 13.5, "roll.creep_s": 1e6},
    "trim-relay-welded": {"yaw.latches": 1.0},
    "held-switch-honoured": {"pitch.honours_held": 1.0},
    "held-switch-honoured-at-start": {"pitch.honours_at_start": 1.0},
    "hangs-in-a-band-of-ramps": {"unit.hang_from_v_per_s": 1.1, "unit.hang_to_v_per_s": 1.6},
    "setting-lost-at-a-start": {"unit.setting_lost_start": 4.0},
    "bus-sense-high": {"unit.sense_gain": 106.0},
    "bus-sense-low": {"unit.sense_gain": 92.0},
    "trim-twitches-after-brownout": {"pitch.twitch_s": 0.050, "pitch.twitch_part": 20.0},
    "trim-drives-on-after-reset": {"pitch.resumes_s": 1.0},
    "dimming-full-after-reset": {"rheostat-1.reset_travel": 100.0},
    "settings-lost-in-break": {"unit.forgets_settings": 1.0},
    "firmware-hangs-after-break": {"unit.hang_s": 4.0},
    "discrete-contact-chance": {"discrete-3.drop_out_chance": 5.0, "discrete-3.drop_out_s": 0.060},
    "trim-dies-warm": {"pitch.open_at_k": 1.0},
    "watchdog-resets": {"unit.watchdog_per_hour": 120.0},
    "hold-up-drifts": {"hold-up.level_per_k": -0.15},
}
BENCH_DEFECTS = (
    *("supply-limit-low", "sense-open", "stimulus-dead", "channel-clipped", "frames-lost"),
    *("motor-wrong", "motor-seized", "motor-open"),
    *("load-dead", "load-off", "load-wire-open"),
    *("sense-at-supply", "supply-limit-short", "supply-slow", "supply-sinks-nothing", "supply-off", "supply-soft"),
    *("supply-folds-back", "dip-source-slow", "dip-source-sinks-nothing", "dip-source-high", "dip-source-low"),
    *("dip-source-soft", "run-contact-worn", "dip-contact-worn", "hard-path-worn", "bus-switch-late"),
    *("bus-switch-bounces", "run-contact-welded", "run-contact-dead", "dip-contact-dead", "dip-contact-welded"),
    *("contactor-chatters", "clamp-open", "load-weak", "load-oscillates"),
    "ground-lead-loose",
)


@pytest.fixture(scope="module")
def sheets():
    unit = dotterel()
    return (
        unit,
        load_unit_simulation("dotterel-6"),
        default_aircraft(unit),
        load_bench("simulated", unit),
        load_bench_simulation("simulated", unit),
    )


def built(sheets, seed=1, *defects):
    return simulated_parameters(*sheets, seed=seed, defects=defects)


def test_the_catalogue_lists_the_unit_first_and_then_the_bench(sheets):
    catalogue = list_defects(sheets[1], sheets[4])
    assert [entry.id for entry in catalogue if entry.of == "unit"] == list(UNIT_DEFECTS)
    assert tuple(entry.id for entry in catalogue if entry.of == "bench") == BENCH_DEFECTS
    functions = {function.name for function in sheets[0].functions}
    assert all(entry.function in functions for entry in catalogue if entry.of == "unit")
    assert all(entry.title for entry in catalogue)


@pytest.mark.parametrize("defect", UNIT_DEFECTS)
def test_a_defect_replaces_its_quantities_and_nothing_else(sheets, defect):
    healthy = built(sheets)[1].quantities
    sick = built(sheets, 1, (defect, 1.0))[1].quantities
    changed = {name: value for name, value in sick.items() if value != healthy[name]}
    assert changed == pytest.approx(UNIT_DEFECTS[defect])


def test_severity_scales_the_deviation_from_nominal(sheets):
    assert built(sheets, 1, ("quiescent-high", 0.5))[1].quantities["unit.quiescent_a"] == pytest.approx(0.195)


def test_a_seed_always_gives_the_same_unit_and_bench_and_another_seed_others(sheets):
    assert built(sheets, 7) == built(sheets, 7)
    assert built(sheets, 7)[1].quantities != built(sheets, 8)[1].quantities
    assert built(sheets, 7)[0].supply != built(sheets, 8)[0].supply


def test_bench_and_unit_are_drawn_apart(sheets):
    assert built(sheets, 7, ("quiescent-high", 1.0))[0] == built(sheets, 7)[0]
    assert built(sheets, 7, ("sense-open", 1.0))[1] == built(sheets, 7)[1]


def test_the_twin_knows_every_quantity_that_is_drawn(sheets):
    twin = built(sheets)[1]
    complete = twin_quantities(twin)
    assert set(twin.quantities) <= set(complete)
    left_to_default = set(complete) - set(twin.quantities)
    of_text = {"unit.airspeed_unchecked", "unit.airspeed_any_unit"}  # this model has airspeed by frames
    assert left_to_default == {"dc-1.frequency_hz", "dc-2.frequency_hz", *of_text}  # a DC output has none


def test_good_units_keep_hysteresis_and_directions_well_inside_their_limits(sheets):
    unit, simulation = sheets[0], sheets[1]
    for seed in range(40):
        drawn = draw_unit(seed, simulation.specs, simulation.derived)
        for discrete in unit.discretes:
            active, inactive = (drawn[f"{discrete.name}.threshold_{state}_v"] for state in ("active", "inactive"))
            assert abs(active - inactive) >= 0.40
            if discrete.sense == "active-low":
                short_a = drawn[f"{discrete.name}.pull_v"] / drawn[f"{discrete.name}.pull_ohm"]
                assert 0.9e-3 < short_a < 1.2e-3  # the limit is 0.8 to 1.3 mA
        for axis in unit.trims:
            difference_ohm = drawn[f"{axis.name}.positive_ohm"] - drawn[f"{axis.name}.negative_ohm"]
            assert abs(difference_ohm) * 1.5 <= 0.06  # V at 1.5 A; the limit is 0.15 V


def test_true_errors_lie_inside_the_bounds_the_sheet_states(sheets):
    sheet = sheets[3]
    for seed in range(5):
        bench = built(sheets, seed)[0]
        for wire in sheet.signals.values():
            channel = bench.daq.inputs[wire.channel]
            assert abs(channel.gain_error) <= wire.relative_bound
            assert abs(channel.offset_units) <= wire.absolute_bound
        for load in sheet.loads:
            if load.motor is not None:
                true = bench.motors[load.output, load.position]
                assert math.isclose(true.resistance_ohm, load.motor.facts.resistance_ohm, rel_tol=load.relative_bound)
                assert math.isclose(true.inertia_kg_m2, load.motor.facts.inertia_kg_m2, rel_tol=load.relative_bound)
                continue
            pin = sheet.stimulus_pins.get(load.output, "")
            true_ohm = bench.feeds_ohm[pin] if load.to_bus else bench.loads_ohm[load.output][load.position]
            assert math.isclose(true_ohm, load.resistance_ohm, rel_tol=load.relative_bound)
        for output in bench.daq.outputs.values():
            assert math.isclose(output.series_ohm, 1000.0, rel_tol=0.001)
            assert abs(output.offset_v) <= 0.005
        assert abs(bench.daq.clock_error) <= 50e-6
        assert abs(bench.daq.reference_v - 5.0) <= 0.002
        assert abs(bench.supply.current_reading_offset_a) <= 0.060


def test_errors_of_two_channels_are_drawn_apart(sheets):
    offsets = [channel.offset_units for channel in built(sheets)[0].daq.inputs.values()]
    assert len(set(offsets)) == len(offsets)


def test_wires_lead_where_the_sheets_say(sheets):
    bench, twin = built(sheets)
    sheet = sheets[3]
    pitch = bench.daq.inputs[sheet.signals["pitch.current"].channel]
    assert (pitch.probe.kind, pitch.probe.plus, pitch.volts_per_unit) == ("current", "P1-9", 2.0)
    assert bench.daq.outputs[sheet.stimuli["discrete-4"]].pin == "P2-4"
    press = bench.daq.digital_outputs[sheet.switches["yaw-left"]]
    assert (press.action, press.target) == ("press", "P3-9")
    assert bench.daq.digital_inputs[sheet.lines["yaw-left"]].target == "P3-9"
    assert bench.daq.digital_inputs[sheet.lines["bus.receive"]].source == "bus"
    actions = [output.action for output in bench.daq.digital_outputs.values()]
    assert {action: actions.count(action) for action in actions} == {
        "press": 15,
        "arm": 1,
        "path": 4,
        "load": 45,
        "feed": 4,
        "draw": 5,
        "reverse": 1,
        "brake": 3,
    }
    assert bench.loads_to_reference == {
        ("ground", "10 kohm"),
        *((entry.name, "10 kohm") for entry in (*sheets[0].trims, *sheets[0].dimming)),
        *((entry.name, "10 kohm") for entry in sheets[0].outputs if not entry.held_up),
    }
    assert [entry.open_above_v for entry in twin.rheostats] == [5.25, 5.25]
    assert [(switch.rank, switch.direction) for switch in twin.switches[:4]] == [(0, 1), (0, -1), (1, 1), (1, -1)]
    assert {dimmer.name: dimmer.rheostat for dimmer in twin.dimmers}["pwm-3"] == "rheostat-2"
    assert [output.name for output in twin.hold_ups] == ["hold-up"]
    assert "hold-up" not in {output.name for output in twin.outputs}
    assert (twin.slow_trim_airspeed_kt, twin.slow_trim_duty, twin.trim_pwm_hz) == (140.0, 0.45, 400.0)
    assert len(twin.pulled_up_pins) == 5


def test_bench_defects_spoil_the_bench(sheets):
    sheet = sheets[3]

    def spoilt(defect, severity=1.0):
        return built(sheets, 1, (defect, severity))[0]

    assert spoilt("supply-limit-low").supply.current_limit_cap_a == 0.1
    assert spoilt("supply-limit-low", 0.0).supply.current_limit_cap_a == math.inf
    assert spoilt("sense-open").supply.sense_open
    assert not spoilt("sense-open", 0.4).supply.sense_open
    sound_ohm = built(sheets, 1)[0].path.negative_ohm
    assert spoilt("ground-lead-loose", 0.5).path.negative_ohm == pytest.approx(sound_ohm + 0.030)
    assert spoilt("stimulus-dead").daq.outputs[sheet.stimuli["discrete-2"]].dead
    clipped = sheet.signals["pitch.voltage"].channel
    assert spoilt("channel-clipped").daq.inputs[clipped].clip_fraction == pytest.approx(0.3)
    assert spoilt("channel-clipped", 0.5).daq.inputs[clipped].clip_fraction == pytest.approx(0.65)
    healthy = built(sheets, 1)[0].motors
    for defect, field, value in (
        ("motor-wrong", "resistance_ohm", pytest.approx(2.0 * healthy["pitch", "motor"].resistance_ohm)),
        ("motor-seized", "seized", True),
        ("motor-open", "connected", False),
    ):
        sick = spoilt(defect).motors
        assert getattr(sick["pitch", "motor"], field) == value
        assert sick["roll", "motor"] == healthy["roll", "motor"]
        assert spoilt(defect, 0.0).motors == healthy
    assert spoilt("frames-lost").daq.lost_frame_fraction == pytest.approx(0.02)
    assert spoilt("load-dead").electronic_load.dead
    assert spoilt("load-wire-open").daq.digital_outputs[sheet.load_outputs["pitch"]].dead
    healthy, off = built(sheets)[0].electronic_load, spoilt("load-off").electronic_load
    assert 1.0 + off.current_gain_error == pytest.approx(1.05 * (1.0 + healthy.current_gain_error))
    shown = [(1.0 + load.current_gain_error) * (1.0 + load.current_reading_gain_error) for load in (healthy, off)]
    assert shown[0] == pytest.approx(shown[1])  # its own meter shows what it did before


FEED = {  # defect: where it shows, and by how much at severity 1
    "supply-slow": ("supply.slew_down_v_per_s", lambda was: 0.01 * was),
    "supply-sinks-nothing": ("supply.sink_current_a", lambda _: 0.0),
    "supply-off": ("supply.set_offset_v", lambda was: was - 0.5),
    "supply-soft": ("supply.source_resistance_ohm", lambda was: was + 0.2),
    "supply-folds-back": ("supply.folds_back_to", lambda _: 0.05),
    "dip-source-slow": ("dip_source.slew_up_v_per_s", lambda was: 0.05 * was),
    "dip-source-sinks-nothing": ("dip_source.sink_current_a", lambda _: 0.0),
    "dip-source-high": ("dip_source.voltage_reading_offset_v", lambda was: was - 0.3),
    "dip-source-low": ("dip_source.set_offset_v", lambda was: was - 0.6),
    "dip-source-soft": ("dip_source.source_resistance_ohm", lambda was: was + 0.5),
    "bus-switch-late": ("path.break_s", lambda was: was + 0.004),
    "bus-switch-bounces": ("path.bounce_s", lambda _: 0.001),
    "contactor-chatters": ("path.chatter_s", lambda _: 0.008),
    "clamp-open": ("path.given_back_a", lambda _: 8.0),
    "load-weak": ("electronic_load.least_ohm", lambda was: was + 10.0),
    "load-oscillates": ("electronic_load.swings_by", lambda _: 0.2),
}


@pytest.mark.parametrize("defect", FEED)
def test_a_defect_of_what_feeds_the_unit_spoils_one_thing(sheets, defect):
    where, expected = FEED[defect]
    part, name = where.split(".")
    was, spoilt = (getattr(getattr(built(sheets, 1, *given)[0], part), name) for given in ((), ((defect, 1.0),)))
    assert spoilt == pytest.approx(expected(was))
    assert built(sheets, 1, (defect, 0.0))[0] == built(sheets)[0]


def test_the_supply_is_spoilt_apart_from_the_dip_source(sheets):
    assert built(sheets, 1, ("supply-slow", 1.0))[0].dip_source == built(sheets)[0].dip_source
    assert built(sheets, 1, ("sense-at-supply", 1.0))[0].supply.sense_open


def test_defects_of_the_bus_switch_spoil_one_position(sheets):
    healthy = built(sheets)[0]
    for defect, position, ohm in (
        ("run-contact-worn", "run", 0.1),
        ("dip-contact-worn", "dip source", 0.4),
        ("hard-path-worn", "0.5 ohm", 3.0),
    ):
        series_ohm = built(sheets, 1, (defect, 1.0))[0].path.series_ohm
        more_ohm = {name: series_ohm[name] - was for name, was in healthy.path.series_ohm.items()}
        assert {name: round(more, 9) for name, more in more_ohm.items() if more} == {position: ohm}
    for defect, position, field in (
        ("run-contact-welded", "run", "welded"),
        ("run-contact-dead", "run", "dead"),
        ("dip-contact-dead", "dip source", "dead"),
        ("dip-contact-welded", "dip source", "welded"),
    ):
        outputs = built(sheets, 1, (defect, 1.0))[0].daq.digital_outputs
        assert [relay.target for relay in outputs.values() if getattr(relay, field)] == [position]


def test_defects_of_unit_and_bench_go_together(sheets):
    bench, twin = built(sheets, 1, ("sense-open", 1.0), ("quiescent-high", 1.0), ("pwm-slow", 1.0))
    assert bench.supply.sense_open
    assert twin.quantities["unit.quiescent_a"] == pytest.approx(0.24)
    assert twin.quantities["pwm-1.frequency_hz"] == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("defects", "said"),
    [
        ([("discreet-stuck", 1.0)], "there is no defect 'discreet-stuck'; did you mean \"discrete-stuck\"?"),
        ([("pwm-slow", 1.0), ("pwm-slow", 0.5)], "defect pwm-slow is named twice"),
        ([("pwm-slow", -1.0)], "severity -1 is not from 0 to 10"),
        ([("pwm-slow", math.nan)], "severity nan is not from 0 to 10"),
        ([("sense-open", 11.0)], "severity 11 is not from 0 to 10"),
    ],
)
def test_a_defect_that_can_not_be_injected_is_refused(sheets, defects, said):
    with pytest.raises(UsageError) as refusal:
        built(sheets, 1, *defects)
    assert said in str(refusal.value)
