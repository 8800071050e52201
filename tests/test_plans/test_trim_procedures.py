"""Latency, taps, priority, opposing presses, contact gaps, repeated taps, stuck switches, all axes, bus voltage."""

from unittest import mock

import numpy as np
import pytest
from synthetic_captures import Scene, judged, setup_given, setup_of, sheets

from analysis.verdict import Cause, Verdict
from test_plans.registry import PROCEDURES
from test_plans.switch_lines import watched_lines
from test_plans.trim_bench import RATE_HZ
from test_plans.trim_drive import drives_of
from test_plans.trim_timed import duration_s

UNIT = sheets().unit
PITCH = UNIT.trims[0]
LATENCY_S = 0.025
PAUSE_S = 0.030


def between(times_s, start_s, stop_s):
    return (times_s >= start_s) & (times_s < stop_s)


def shifted(values, time_s):
    n = round(time_s * RATE_HZ)
    return np.concatenate((np.zeros(n, dtype=values.dtype), values[: len(values) - n]))


def closed_lines(scene, touches):
    """Put presses on a scene's lines; return what stands closed by switch."""
    closed = {switch.name: np.zeros(scene.n, dtype=bool) for switch in PITCH.switches}
    for touch in touches:
        closed[touch.switch] |= between(scene.times_s, touch.closed_s, touch.opened_s)
        scene.drive(touch.switch, touch.closed_s, True).drive(touch.switch, touch.opened_s, False)
    for line in watched_lines(UNIT):
        scene.line(line, closed.get(line, False))
    return closed


def scene_of(procedure, *, limit_a=0.5):
    touches = PROCEDURES[procedure].schedule(setup_of(procedure), PITCH)
    scene = Scene("pitch", duration_s(touches), RATE_HZ, set_voltage_v=13.8, current_limit_a=limit_a)
    scene.signal("unit.voltage", 13.8).signal("unit.current", 0.2).signal("pitch.current", 0.0)
    return scene, closed_lines(scene, touches)


def good_direction(closed, *, latency_s=LATENCY_S):
    """What a good axis does: the left seat before the right, both directions cancel, rest when changing over."""
    held = {switch.name: shifted(closed[switch.name], latency_s) for switch in PITCH.switches}
    seats = {}
    for seat in ("left", "right"):
        ways = [held[s.name].astype(int) * s.polarity for s in PITCH.switches if s.seat == seat]
        used = np.any([held[s.name] for s in PITCH.switches if s.seat == seat], axis=0)
        seats[seat] = (used, np.sum(ways, axis=0))
    wanted = np.where(seats["left"][0], seats["left"][1], seats["right"][1])
    rest = np.zeros(wanted.size, dtype=bool)
    for change in np.flatnonzero(np.diff(wanted)) + 1:
        if wanted[change] and wanted[change - 1]:
            rest[change : change + round(PAUSE_S * RATE_HZ)] = True
    return np.where(rest, 0, wanted)


def found_in(procedure, *, latency_s=LATENCY_S, change=None, spoil=None):
    scene, closed = scene_of(procedure)
    direction = good_direction(closed, latency_s=latency_s)
    if change is not None:
        direction = change(scene, direction)
    scene.signal("pitch.voltage", 13.7 * direction)
    if spoil is not None:
        spoil(scene)
    return judged(procedure, scene.capture())


def of_pitch(found):
    return {name: finding for name, finding in found.items() if name.startswith("pitch.")}


def verdicts(found):
    return {finding.verdict for finding in of_pitch(found).values()}


@pytest.mark.parametrize("procedure", ["trim-latency", "trim-taps", "trim-priority", "trim-opposing"])
def test_a_good_axis_passes(procedure):
    found = found_in(procedure)
    assert verdicts(found) == {Verdict.PASS}


@pytest.mark.parametrize(
    "procedure", ["trim-latency", "trim-taps", "trim-priority", "trim-opposing", "trim-repeated-taps"]
)
def test_lost_samples_blame_nobody_but_the_bench(procedure):
    found = of_pitch(found_in(procedure, spoil=lambda scene: scene.gap(1.0, 50)))
    assert {(finding.verdict, finding.cause) for finding in found.values()} == {(Verdict.INCONCLUSIVE, Cause.BENCH)}


def test_a_line_that_did_not_close_blames_nobody():
    def dead(scene):
        scene.line("pitch-left-up", False)

    found = found_in("trim-latency", spoil=dead)["pitch.left.up.latency-on"]
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_a_line_closed_by_nobody_blames_nobody():
    def stray(scene):
        scene.line("pitch-right-down", True)

    found = found_in("trim-opposing", change=lambda _, direction: np.ones_like(direction), spoil=stray)
    assert found["pitch.left.opposing-rests"].cause is Cause.UNDECIDED


def test_latency_is_the_worst_from_line_to_output_and_counts_its_presses():
    found, presses = found_in("trim-latency", latency_s=0.031), setup_of("trim-latency").step.conditions["trials"]
    for way in ("on", "off"):
        finding = found[f"pitch.right.down.latency-{way}"]
        assert finding.value == pytest.approx(0.031, abs=2.0 / RATE_HZ)
        assert finding.verdict is Verdict.PASS
        assert finding.notes[0].startswith(f"{presses} presses")


def test_a_latency_of_140_ms_and_none_at_all_are_the_units():
    late = found_in("trim-latency", latency_s=0.140)["pitch.left.up.latency-on"]
    assert (late.value, late.cause) == (pytest.approx(0.140, abs=2.0 / RATE_HZ), Cause.UNIT)
    never = found_in("trim-latency", change=lambda _, direction: 0 * direction)
    assert never["pitch.left.up.latency-on"].cause is Cause.UNIT
    assert never["pitch.left.up.every-press-drives"].cause is Cause.UNIT


def test_taps_that_are_swallowed_or_drawn_out_are_the_units():
    def without_short(scene, direction):
        kept = direction.copy()
        edges = np.flatnonzero(np.diff(np.concatenate(([0], direction, [0]))))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            if last - first < 0.090 * scene.rate_hz:
                kept[first:last] = 0
        return kept

    found = found_in("trim-taps", change=without_short)
    assert found["pitch.left.up.tap-50"].value == pytest.approx(-0.050, abs=1e-3)
    assert found["pitch.left.up.tap-50"].cause is Cause.UNIT
    assert found["pitch.left.up.tap-20"].verdict is Verdict.PASS  # a tap within the debounce may drive or not
    assert found["pitch.left.up.tap-100"].verdict is Verdict.PASS

    def drawn_out(_, direction):
        longer = direction.copy()
        for _ in range(round(0.05 * RATE_HZ / 50)):
            longer = np.where(longer == 0, np.concatenate((np.zeros(50, dtype=int), longer[:-50])), longer)
        return longer

    long = found_in("trim-taps", change=drawn_out)
    assert {long[f"pitch.left.up.tap-{ms}"].cause for ms in (20, 50, 100, 200)} == {Cause.UNIT}


def test_hand_over_runs_from_the_press_to_the_new_drive():
    found = found_in("trim-priority")["pitch.hand-over"]
    assert found.value == pytest.approx(LATENCY_S + PAUSE_S, abs=2.0 / RATE_HZ)


def test_a_right_seat_that_wins_and_a_hand_over_without_rest_are_the_units():
    def right_first(_, direction):
        return -direction

    wrong = found_in("trim-priority", change=right_first)
    assert wrong["pitch.priority"].cause is Cause.UNIT
    assert wrong["pitch.hand-over"].cause is Cause.UNIT

    def no_rest(_, direction):
        filled = direction.copy()
        zeros = np.flatnonzero(direction == 0)
        for first in zeros:
            if filled[first - 1] and first + 310 < filled.size and direction[first : first + 310].any():
                filled[first] = filled[first - 1]
        return filled

    found = found_in("trim-priority", change=no_rest)
    assert found["pitch.no-overlap"].cause is Cause.UNIT


def test_a_seat_that_does_not_drive_again_breaks_the_sheets_rule():
    contests = PROCEDURES["trim-priority"].schedule(setup_of("trim-priority"), PITCH)
    left = {switch.name for switch in PITCH.switches if switch.seat == "left"}

    def no_resume(scene, direction):
        kept = direction.copy()
        for touch in contests:
            if touch.switch in left and touch.opened_s - touch.closed_s < 0.7:
                kept[between(scene.times_s, touch.opened_s + 0.02, touch.opened_s + 0.35)] = 0
        return kept

    found = found_in("trim-priority", change=no_resume)
    assert found["pitch.resumption"].cause is Cause.UNIT
    assert found["pitch.priority"].verdict is Verdict.PASS


def test_driving_with_both_directions_pressed_is_the_units():
    scene, closed = scene_of("trim-opposing")
    both = shifted(closed["pitch-right-up"] & closed["pitch-right-down"], LATENCY_S)
    scene.signal("pitch.voltage", 13.7 * np.where(both, 1, good_direction(closed)))
    found = judged("trim-opposing", scene.capture())
    assert found["pitch.right.opposing-rests"].cause is Cause.UNIT
    assert found["pitch.left.opposing-rests"].verdict is Verdict.PASS


def cut(scene, direction, cut_off_s):
    """Cut every drive after a time; gaps in the contact are bridged by the debounce."""
    kept = np.zeros_like(direction)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], direction, [0]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        end = min(last, first + round(cut_off_s * scene.rate_hz))
        kept[first:end] = direction[first]
    return kept


def bridged(direction):
    """Close gaps of 5 ms."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], direction, [0]))))
    whole = direction.copy()
    for last, first in zip(edges[1:-1:2], edges[2::2], strict=True):
        if first - last <= 0.006 * RATE_HZ:
            whole[last:first] = direction[first]
    return whole


def test_contact_gaps_leave_the_cut_off_as_it_is():
    found = found_in("trim-contact-gaps", change=lambda scene, direction: cut(scene, bridged(direction), 4.05))
    assert verdicts(found) == {Verdict.PASS}
    assert found["pitch.left.up.gaps-cut-off"].value == pytest.approx(4.05, abs=2.0 / RATE_HZ)


def test_a_clock_that_gaps_restart_and_a_dead_axis_afterwards_are_the_units():
    found = found_in("trim-contact-gaps", change=lambda _, direction: bridged(direction))
    assert found["pitch.left.up.gaps-cut-off"].cause is Cause.UNIT
    assert "still driving" in found["pitch.left.up.gaps-cut-off"].reasons[0]

    def dead_afterwards(scene, direction):
        kept = cut(scene, bridged(direction), 4.05)
        edges = np.flatnonzero(np.diff(np.concatenate(([0], kept, [0]))))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            if last - first < scene.rate_hz:
                kept[first:last] = 0
        return kept

    dead = found_in("trim-contact-gaps", change=dead_afterwards)
    assert dead["pitch.left.up.re-arms"].cause is Cause.UNIT
    assert dead["pitch.left.up.gaps-cut-off"].verdict is Verdict.PASS


def test_taps_that_are_cut_short_add_up():
    assert verdicts(found_in("trim-repeated-taps")) == {Verdict.PASS}
    found = found_in("trim-repeated-taps", change=lambda scene, direction: cut(scene, direction, 1.0))
    assert found["pitch.left.up.taps-not-cut"].cause is Cause.UNIT


def stuck(*, blocks=False, again=False):
    scene, _ = scene_of("trim-stuck-switch")
    direction = np.zeros(scene.n, dtype=int)
    held = None
    for touch in sorted(
        PROCEDURES["trim-stuck-switch"].schedule(setup_of("trim-stuck-switch"), PITCH), key=lambda t: t.closed_s
    ):
        polarity = next(switch.polarity for switch in PITCH.switches if switch.name == touch.switch)
        if touch.opened_s - touch.closed_s > 4.0:
            held = (touch, polarity)
            direction[between(scene.times_s, touch.closed_s + LATENCY_S, touch.closed_s + LATENCY_S + 4.0)] = polarity
        elif not blocks:
            direction[between(scene.times_s, touch.closed_s + LATENCY_S, touch.opened_s + LATENCY_S)] = polarity
            if again:
                direction[between(scene.times_s, touch.opened_s + 0.1, touch.opened_s + 0.2)] = held[1]
    scene.signal("pitch.voltage", 13.7 * direction)
    return judged("trim-stuck-switch", scene.capture())


def test_ways_out_while_a_switch_is_stuck():
    assert verdicts(stuck()) == {Verdict.PASS}
    blocked = stuck(blocks=True)
    assert blocked["pitch.left.up.stuck-opposite-direction"].cause is Cause.UNIT
    assert blocked["pitch.left.up.stuck-other-seat"].cause is Cause.UNIT
    assert blocked["pitch.left.up.stuck-rests"].verdict is Verdict.PASS
    assert stuck(again=True)["pitch.left.up.stuck-rests"].cause is Cause.UNIT


def test_a_switch_that_was_never_cut_off_leaves_the_ways_out_open():
    found = found_in("trim-stuck-switch")["pitch.left.up.stuck-other-seat"]  # drives on through the hold
    assert (found.verdict, found.cause) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def together(*, feed_ohm=0.0, dead_with_others=False):
    procedure = PROCEDURES["trim-together"]
    setup = setup_of("trim-together")
    need = procedure.needs(setup).captures[0]
    scene = Scene("together", need.duration_s, need.sample_rate_hz, set_voltage_v=13.8, current_limit_a=7.0)
    directions = {axis.name: np.zeros(scene.n, dtype=int) for axis in UNIT.trims}
    closed = {}
    rig_scenes = recorded_presses(procedure, setup)
    for switch, pressed_s, released_s in rig_scenes:
        scene.drive(switch.name, pressed_s, True).drive(switch.name, released_s, False)
        on = between(scene.times_s, pressed_s, released_s)
        closed[switch.name] = closed.get(switch.name, False) | on
        driven = between(scene.times_s, pressed_s + LATENCY_S, released_s + LATENCY_S)
        directions[switch.axis][driven] = switch.polarity
    for line in watched_lines(UNIT):
        scene.line(line, closed.get(line, False))
    n_driven = sum(np.abs(way) for way in directions.values())
    for axis, way in directions.items():
        current = 13.8 / (9.2 + feed_ohm * n_driven) * way
        if dead_with_others and axis == "roll":
            current = np.where(n_driven > 1, 0.0, current)
        scene.signal(f"{axis}.voltage", 9.0 * current).signal(f"{axis}.current", current)
    scene.signal("unit.voltage", 13.8).signal("unit.current", 0.2).signal("unit.current.high", 0.2)
    return judged("trim-together", scene.capture())


def recorded_presses(procedure, setup):
    """Return what a procedure presses, from a rig that only listens."""
    rig = ListeningRig()
    procedure.stimulate(rig, setup)
    names = {switch.name: switch for axis in UNIT.trims for switch in axis.switches}
    return [(names[name], pressed_s, released_s) for name, pressed_s, released_s in rig.presses]


class ListeningRig:
    """Takes everything a procedure tells a rig; keeps presses."""

    now_s = 0.0

    def __init__(self):
        self.presses = []

    def __getattr__(self, name):
        return mock.Mock(name=name)

    def read_supply(self):
        return type("Reading", (), {"set_voltage_v": 13.8, "voltage_v": 13.8})()

    def capture(self, *_args, **_kwargs):
        return self

    def __enter__(self):
        return self

    def __exit__(self, *_args):
        return False

    def press(self, switch, *, at_s):
        self.presses.append([switch, at_s, None])

    def release(self, switch, *, at_s):
        next(entry for entry in self.presses if entry[0] == switch and entry[2] is None)[2] = at_s


def test_axes_that_do_not_feel_each_other_pass():
    found = together()
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert found["roll.together-drop-change"].value == pytest.approx(0.0, abs=0.001)


def test_a_shared_feed_is_the_units():
    found = together(feed_ohm=0.15)["yaw.together-drop-change"]
    # two more axes at 1.4 A through 0.15 ohm
    assert found.value == pytest.approx(0.15 * 2 * 13.8 / 9.5, abs=0.05)
    assert found.cause is Cause.UNIT


def test_an_axis_that_drops_out_beside_others_is_the_units():
    found = together(dead_with_others=True)
    assert found["roll.together-drives"].cause is Cause.UNIT
    assert found["pitch.together-drives"].verdict is Verdict.PASS


def bus_voltage(*, low_ohm=0.2, latency_s=LATENCY_S):
    captures, setup = [], setup_given("trim-bus-voltage", axes=("pitch",), trials=3)
    for name, volts in (("nominal", 13.8), ("lowest", 10.0), ("highest", 15.0)):
        need = next(n for n in PROCEDURES["trim-bus-voltage"].needs(setup).captures)
        scene = Scene(f"pitch.{name}", need.duration_s, RATE_HZ, set_voltage_v=volts, current_limit_a=3.0)
        rig = ListeningRig()
        PROCEDURES["trim-bus-voltage"].stimulate(rig, setup)
        n = 3 * len(PITCH.switches)
        closed = {}
        direction = np.zeros(scene.n, dtype=int)
        for switch, pressed_s, released_s in rig.presses[:n]:
            scene.drive(switch, pressed_s, True).drive(switch, released_s, False)
            on = between(scene.times_s, pressed_s, released_s)
            closed[switch] = closed.get(switch, False) | on
            polarity = next(s.polarity for s in PITCH.switches if s.name == switch)
            direction[between(scene.times_s, pressed_s + latency_s, released_s + latency_s)] = polarity
        for line in watched_lines(UNIT):
            scene.line(line, closed.get(line, False))
        current = volts / (9.0 + (low_ohm if name == "lowest" else 0.2)) * direction
        scene.signal("unit.voltage", volts).signal("unit.current", 0.2)
        captures.append(scene.signal("pitch.voltage", 9.0 * current).signal("pitch.current", current).capture())
    return judged("trim-bus-voltage", *captures, given=setup.step.conditions)


def test_a_bridge_that_does_not_mind_the_bus_passes_at_its_rated_current():
    found = bus_voltage()
    assert verdicts(found) == {Verdict.PASS}
    assert found["pitch.left.up.drop-change-lowest"].value == pytest.approx(0.0, abs=0.003)


def test_a_bridge_weak_on_a_low_bus_is_the_units_there_only():
    found = bus_voltage(low_ohm=0.5)
    assert found["pitch.left.up.drop-change-lowest"].value == pytest.approx(0.3 * 1.5, abs=0.01)
    assert found["pitch.left.up.drop-change-lowest"].cause is Cause.UNIT
    assert found["pitch.left.up.drop-change-highest"].verdict is Verdict.PASS
    assert bus_voltage(latency_s=0.08)["pitch.left.up.latency-off-lowest"].cause is Cause.UNIT


def test_pulses_are_one_drive_and_a_longer_pause_ends_it():
    scene = Scene("pitch", 0.5, RATE_HZ)
    pulsed = between(scene.times_s, 0.1, 0.2) & ((scene.times_s * 400.0) % 1.0 < 0.45)
    scene.signal("unit.voltage", 13.8).signal(
        "pitch.voltage", 13.7 * (pulsed.astype(int) - between(scene.times_s, 0.3, 0.4).astype(int))
    )
    capture = scene.capture()

    class One:
        """A record of one capture."""

        def __init__(self):
            self.capture = capture

        def samples(self, name):
            return capture.channel(name)

    found = drives_of(One(), PITCH)
    assert [drive.direction for drive in found] == [1, -1]
    assert found[0].duration_s == pytest.approx(0.1, abs=0.002)
    assert found[1].start_s == pytest.approx(0.3, abs=1.0 / RATE_HZ)
