"""Discretes in depth from arrays: contacts, open lines, pulse widths, bounce, patterns, high level, toggles."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_captures import Scene, Shelf, judged, setup_given, setup_of, sheets

from analysis.capture import EventList
from analysis.verdict import Cause, Verdict
from test_plans.discrete_pins import report_delay
from test_plans.discretes_bounce import TRAINS_S, moves_of, trains_of
from test_plans.discretes_patterns import CHECK_S, HOLD_S, patterns_of
from test_plans.driving import levels_of
from test_plans.registry import PROCEDURES

UNIT = sheets().unit
LOW, HIGH = UNIT.discretes[0], UNIT.discretes[6]
ROOM_S = 1.3  # ahead of the first stimulus


def outcome(finding):
    return finding.verdict, finding.cause


# Poor contacts


def contacts(*, active_v=1.6, inactive_v=2.6, pull_ohm=4700.0, pull_v=5.0, series_ohm=1000.0, pin=None):
    """Discrete 1 moved from 5 V behind its resistor to 0 V and back in 8 s each way, as a linear unit shows it."""
    scene = Scene("contacts", 17.0)
    at_s = (0.0, 0.35, 8.35, 8.55, 16.55, 17.0)
    drive_v = np.interp(scene.times_s, at_s, (5.0, 5.0, 0.0, 0.0, 5.0, 5.0))
    pin_v = (drive_v * pull_ohm + pull_v * series_ohm) / (pull_ohm + series_ohm)
    scene.signal("discrete-1.voltage", pin_v if pin is None else pin)
    scene.drive("discrete-1", 0.15, 5.0).drive("discrete-1", 0.35, 0.0).drive("discrete-1", 8.55, 5.0)
    delay_s = report_delay(setup_of("discrete-contacts")).mean_s
    state, counter = False, 0
    scene.report("discrete-1", 0.1, state=False, counter=0)
    for now_s, volts in zip(scene.times_s, pin_v, strict=True):
        if volts <= (inactive_v if state else active_v) and not state:
            state, counter = True, counter + 1
            scene.report("discrete-1", now_s + delay_s, state=True, counter=counter)
        elif state and volts > inactive_v:
            state, counter = False, counter + 1
            scene.report("discrete-1", now_s + delay_s, state=False, counter=counter)
    scene.report("discrete-1", 16.9, state=state, counter=counter)
    return scene.capture()


def alone(*, follows):
    """The line of discrete 1 with the unit unplugged."""
    scene = Scene("isolation", 0.65)
    values = np.zeros(scene.n)
    for at_s, level_v in ((0.15, 2.0), (0.40, 8.0)):
        scene.drive("discrete-1", at_s, level_v)
        values[round(at_s * 1000) :] = level_v
    return scene.signal("discrete-1.voltage", values if follows else 0.4 * values).capture()


def test_contact_lift_and_leak_follow_from_the_pins_own_load_line():
    found = judged("discrete-contacts", contacts())
    given_a = (5.0 - 1.6) / 4700.0
    assert found["discrete-1.contact-resistance"].value == pytest.approx((1.6 - 0.5) / given_a, rel=0.01)
    assert found["discrete-1.ground-lift"].value == pytest.approx(1.6 - 470.0 * given_a, abs=0.005)
    assert found["discrete-1.leakage"].value == pytest.approx((5.0 - 2.6) / 4700.0 / 2.6, rel=0.01)
    judgements = {
        what: found[f"discrete-1.{what}"].verdict for what in ("contact-resistance", "ground-lift", "leakage")
    }
    assert set(judgements.values()) == {Verdict.PASS}


def test_a_pull_up_of_47_kohm_is_held_active_by_a_leak_it_should_bear():
    found = judged("discrete-contacts", contacts(pull_ohm=47000.0))["discrete-1.leakage"]
    assert outcome(found) == (Verdict.FAIL, Cause.UNIT)  # 2.6 V at 51 uA: a leak of 51 kohm, where 20 kohm must do
    assert found.value == pytest.approx((5.0 - 2.6) / 47000.0 / 2.6, abs=3e-6)


def test_a_leak_inside_that_keeps_the_pin_below_its_threshold_fails():
    found = judged("discrete-contacts", contacts(pull_ohm=2423.0, pull_v=2.577))["discrete-1.leakage"]
    assert outcome(found) == (Verdict.FAIL, Cause.UNIT)
    assert found.value < 0.0
    assert "does not open even without a leak" in found.notes[0]


def test_a_threshold_below_what_a_bad_contact_leaves_is_the_units_fail():
    found = judged("discrete-contacts", contacts(active_v=0.7))["discrete-1.ground-lift"]
    assert outcome(found) == (Verdict.FAIL, Cause.UNIT)
    assert "0.91 V" in found.reasons[0]  # 0.5 V and 0.877 mA through 470 ohm


def test_where_the_stimulus_goes_no_lower_than_a_bad_contact_nothing_is_the_units():
    found = judged("discrete-contacts", contacts(active_v=1.0, pull_ohm=3500.0))["discrete-1.ground-lift"]
    assert outcome(found) == (Verdict.INCONCLUSIVE, Cause.BENCH)


@pytest.mark.parametrize(
    ("isolation", "expected"),
    [
        ((), (Verdict.INCONCLUSIVE, Cause.UNDECIDED)),
        ((True,), (Verdict.FAIL, Cause.UNIT)),
        ((False,), (Verdict.INCONCLUSIVE, Cause.BENCH)),
    ],
)
def test_a_pin_that_does_not_move_is_the_units_only_with_a_sound_line(isolation, expected):
    found = judged("discrete-contacts", contacts(pin=0.0), *(alone(follows=sound) for sound in isolation))
    assert outcome(found["discrete-1.leakage"]) == expected


@pytest.mark.parametrize("series_ohm", [1000.0, 1500.0, 2000.0, 3000.0, 9000.0])
@pytest.mark.parametrize("active_v", [1.3, 1.6, 1.9])
def test_a_line_of_more_resistance_than_its_resistor_never_fails_the_unit(series_ohm, active_v):
    found = judged("discrete-contacts", contacts(series_ohm=series_ohm, active_v=active_v), alone(follows=True))
    assert Verdict.FAIL not in {finding.verdict for finding in found.values()}


def test_an_unsound_line_takes_the_blame_off_a_unit_that_reads_out_of_its_limit():
    found = judged("discrete-contacts", contacts(pull_ohm=47000.0), alone(follows=False))["discrete-1.leakage"]
    assert outcome(found) == (Verdict.INCONCLUSIVE, Cause.BENCH)


# Open lines


def opened(*, pull_ohm=4700.0, pull_v=5.0, state=False, moved=0):
    scene = Scene("open", 2.3)
    drive_v = np.where(scene.times_s < 2.0, 5.0, 0.0)
    scene.signal("discrete-1.voltage", (drive_v * pull_ohm + pull_v * 1000.0) / (pull_ohm + 1000.0))
    scene.drive("discrete-1", 2.0, 0.0)
    scene.report("discrete-1", 0.4, state=state, counter=3).report("discrete-1", 1.4, state=state, counter=3 + moved)
    return scene.capture()


def test_the_level_of_an_open_line_is_carried_on_to_no_current():
    found = judged("discrete-open-line", opened(pull_v=4.9, pull_ohm=5000.0))["discrete-1.open-voltage"]
    assert found.value == pytest.approx(4.9, abs=0.01)
    assert found.verdict is Verdict.PASS


def test_a_clamp_that_pulls_up_and_a_leak_that_pulls_down_are_the_units():
    for pull_v in (8.0, 2.6):
        found = judged("discrete-open-line", opened(pull_v=pull_v))["discrete-1.open-voltage"]
        assert outcome(found) == (Verdict.FAIL, Cause.UNIT)


def test_a_pin_that_nothing_pulls_has_no_level_and_blames_nobody():
    found = judged("discrete-open-line", opened(pull_ohm=1e7))["discrete-1.open-voltage"]
    assert outcome(found) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


@pytest.mark.parametrize(("state", "moved"), [(True, 0), (False, 2)])
def test_an_open_line_must_read_inactive_and_stay_so(state, moved):
    assert judged("discrete-open-line", opened())["discrete-1.open-inactive"].verdict is Verdict.PASS
    found = judged("discrete-open-line", opened(state=state, moved=moved))["discrete-1.open-inactive"]
    assert outcome(found) == (Verdict.FAIL, Cause.UNIT)


# Pulse widths


def widths(accepts_from_s, *, reaches=True):
    """Discrete 1 pulsed with 14.2 to 25.7 ms; a pulse counts from `accepts_from_s` on."""
    steps = np.arange(142, 260, 5)
    scene = Scene("widths", ROOM_S + 0.09 * steps.size + 0.2, 10_000.0)
    values, levels, counter = np.full(scene.n, 5.0), levels_of(LOW), 0
    scene.report("discrete-1", 0.9, state=False, counter=0)
    for place, samples in enumerate(steps):
        first = round((ROOM_S + 0.09 * place) * 1e4)
        start_s, width_s = first / 1e4, samples / 1e4
        scene.drive("discrete-1", start_s, levels.active_v).drive("discrete-1", start_s + width_s, levels.inactive_v)
        values[first : first + samples] = 0.9
        if width_s >= accepts_from_s:
            scene.report("discrete-1", start_s + 0.024, state=True, counter=counter + 1)
            counter += 2
            scene.report("discrete-1", start_s + width_s + 0.024, state=False, counter=counter)
    return scene.signal("discrete-1.voltage", values if reaches else 5.0).capture()


def test_the_longest_rejected_and_the_shortest_accepted_are_neighbours_at_a_sharp_edge():
    found = judged("discrete-pulse-width", widths(0.0180))
    assert found["discrete-1.longest-rejected"].value == pytest.approx(0.0177, abs=1e-6)
    assert found["discrete-1.shortest-accepted"].value == pytest.approx(0.0182, abs=1e-6)
    # two edges, each between two samples of 0.1 ms: 50 us / sqrt(3) twice
    assert found["discrete-1.shortest-accepted"].standard_uncertainty == pytest.approx(41e-6, rel=0.01)
    assert found["discrete-1.shortest-accepted"].verdict is Verdict.PASS


@pytest.mark.parametrize(("from_s", "what"), [(0.0, "shortest-accepted"), (1.0, "longest-rejected")])
def test_a_debounce_that_is_missing_or_too_long_fails_at_the_end_of_the_sweep(from_s, what):
    found = judged("discrete-pulse-width", widths(from_s))
    assert outcome(found[f"discrete-1.{what}"]) == (Verdict.FAIL, Cause.UNIT)
    (other,) = {"shortest-accepted", "longest-rejected"} - {what}
    assert found[f"discrete-1.{other}"].verdict is Verdict.PASS
    assert "lies beyond its end" in found[f"discrete-1.{other}"].notes[1]


def test_pulses_that_did_not_reach_the_pin_say_nothing_of_the_debounce():
    found = judged("discrete-pulse-width", widths(0.018, reaches=False))["discrete-1.longest-rejected"]
    assert outcome(found) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


# Bounce


def bounce(extra_at=(), *, reaches=True):
    """Discrete 1 closed and opened by its own trains; counted once, and twice more at trains `extra_at`."""
    trains = trains_of(setup_of("discrete-bounce"), LOW)
    scene = Scene("bounce", trains[-1].start_s + 0.3, 10_000.0)
    values, counter = np.full(scene.n, 5.0), 0
    scene.report("discrete-1", 0.9, state=False, counter=0)
    for place, train in enumerate(trains):
        for move, move_s in enumerate(train.moves_s):
            at_s = train.start_s + move_s
            level_v = 0.0 if train.active is (move % 2 == 0) else 5.0
            scene.drive("discrete-1", at_s, level_v)
            values[round(at_s * 1e4) :] = 0.88 if level_v == 0.0 else 5.0
        counter += 3 if place in extra_at else 1
        scene.report("discrete-1", train.start_s + 0.035, state=train.active, counter=counter)
    return scene.signal("discrete-1.voltage", values if reaches else 5.0).capture()


@pytest.mark.parametrize("length_s", TRAINS_S)
def test_a_train_bounces_within_its_length_and_ends_where_it_was_going(length_s):
    moves_s = moves_of(length_s, "a", "key")
    assert (moves_s[0], moves_s[-1], len(moves_s) % 2) == (0.0, length_s, 1)
    assert len(moves_s) >= 3
    assert np.diff(moves_s).min() > 0.00019  # two samples: every move is seen at the pin


def test_bouncing_contacts_counted_once_pass_and_one_counted_again_is_named():
    assert judged("discrete-bounce", bounce())["discrete-1.bounce"].verdict is Verdict.PASS
    found = judged("discrete-bounce", bounce(extra_at=(4,)))["discrete-1.bounce"]
    assert (*outcome(found), found.failures) == (Verdict.FAIL, Cause.UNIT, 1)
    assert "closing over" in found.reasons[0]


def test_a_missed_change_and_an_extra_one_do_not_make_up_for_each_other():
    scene_trains = trains_of(setup_of("discrete-bounce"), LOW)
    capture = bounce(extra_at=(10,))
    late = [event for event in capture.events if event.kind != "report" or event.fields["counter"] not in {5, 6}]
    assert len(late) == len(capture.events) - 2
    object.__setattr__(capture, "events", EventList(late))
    found = judged("discrete-bounce", capture)["discrete-1.bounce"]
    assert found.trials == len(scene_trains)
    assert found.failures == 4  # two of which nothing came, one that caught up, one that counted three


def test_trains_that_did_not_reach_the_pin_prove_nothing():
    found = judged("discrete-bounce", bounce(reaches=False))["discrete-1.bounce"]
    assert outcome(found) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


# Patterns


def patterns(shown, *, pins=None):
    """All patterns as the unit shows them: `shown(pattern, discrete)` is a state; pins as driven unless `pins` says."""
    sequence = patterns_of(UNIT.discretes)
    scene = Scene("patterns", ROOM_S + HOLD_S * len(sequence) + 0.02)
    for discrete in UNIT.discretes:
        levels, values = levels_of(discrete), np.full(scene.n, levels_of(discrete).inactive_v)
        scene.report(discrete.report, 0.5, state=False, counter=0)
        for place, pattern in enumerate(sequence):
            at_s, active = ROOM_S + place * HOLD_S, discrete.name in pattern.active
            level_v = levels.active_v if active else levels.inactive_v
            scene.drive(discrete.name, at_s, level_v)
            values[round(at_s * 1000) :] = level_v if pins is None else pins(discrete, level_v)
            scene.report(discrete.report, at_s + 0.4 * CHECK_S, state=shown(pattern, discrete), counter=place)
        scene.signal(f"{discrete.name}.voltage", values)
    return scene.capture()


def truly(pattern, discrete):
    return discrete.name in pattern.active


def test_every_two_discretes_meet_in_all_four_ways():
    sequence = patterns_of(UNIT.discretes)
    for one in UNIT.discretes:
        for other in UNIT.discretes:
            met = {(truly(pattern, one), truly(pattern, other)) for pattern in sequence}
            assert len(met) == (2 if one is other else 4)


def test_states_that_follow_their_own_pins_pass_in_every_pattern():
    found = judged("discrete-patterns", patterns(truly))
    assert {finding.verdict for finding in found.values()} == {Verdict.PASS}
    assert found["discrete-1.patterns"].trials == 67  # 1 + 10 + 45 + 10 + 1


def test_a_state_that_follows_another_pin_fails_and_names_the_pattern():
    found = judged(
        "discrete-patterns", patterns(lambda pattern, d: truly(pattern, LOW if d.name == "discrete-2" else d))
    )
    assert outcome(found["discrete-2.patterns"]) == (Verdict.FAIL, Cause.UNIT)
    assert "not shown inactive with Discrete 1 alone active" in found["discrete-2.patterns"].reasons[0]
    assert found["discrete-1.patterns"].verdict is Verdict.PASS


def test_a_bridged_pin_is_nobodys_until_its_line_was_tried_alone():
    def held(discrete, level_v):
        return 2.9 if discrete is LOW else level_v

    capture = patterns(truly, pins=held)
    assert outcome(judged("discrete-patterns", capture)["discrete-1.patterns"]) == (
        Verdict.INCONCLUSIVE,
        Cause.UNDECIDED,
    )
    for sound, expected in ((True, (Verdict.FAIL, Cause.UNIT)), (False, (Verdict.INCONCLUSIVE, Cause.BENCH))):
        found = judged("discrete-patterns", capture, alone(follows=sound))
        assert outcome(found["discrete-1.patterns"]) == expected


# Highest level


def high_level(pin_v=9.47, *, active=True):
    until_s = 0.15 + 2.3  # as long as a report needs, where the bus feeds the pins for longer
    scene = Scene("high-level", until_s + 0.2)
    stands = (scene.times_s >= 0.15) & (scene.times_s < until_s)
    scene.signal("discrete-7.voltage", np.where(stands, pin_v, 0.0))
    scene.drive("discrete-7", 0.15, 9.9).drive("discrete-7", until_s, 0.0)
    scene.report("discrete-7", 0.1, state=False, counter=0).report("discrete-7", 0.18, state=True, counter=1)
    scene.report("discrete-7", until_s - 0.5, state=active, counter=1)
    return scene.report("discrete-7", until_s + 0.03, state=False, counter=2).capture()


def test_the_input_current_is_what_the_stimulus_resistor_drops():
    found = judged("discrete-overvoltage", high_level())
    assert found["discrete-7.input-current"].value == pytest.approx(0.43e-3, abs=2e-6)
    assert {found[f"discrete-7.{what}"].verdict for what in ("input-current", "high-level")} == {Verdict.PASS}


def test_an_input_that_lets_go_under_its_highest_level_fails():
    assert outcome(judged("discrete-overvoltage", high_level(active=False))["discrete-7.high-level"]) == (
        Verdict.FAIL,
        Cause.UNIT,
    )


@pytest.mark.parametrize("pin_v", [5.5, 7.8])
def test_a_heavy_load_on_the_line_is_nobodys_for_a_line_of_more_resistance_looks_the_same(pin_v):
    found = judged("discrete-overvoltage", high_level(pin_v=pin_v), alone(follows=True))["discrete-7.input-current"]
    assert outcome(found) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert "resistance" in found.reasons[0] or "not isolated" in found.reasons[0]


def without_feeds(*names):
    setup = setup_of("discrete-overvoltage")
    loads = {output: positions for output, positions in setup.bench.loads.items() if output not in names}
    return replace(setup, bench=replace(setup.bench, loads=loads))


def test_what_lies_beyond_stimuli_and_bus_is_said_before_anything_is_energised():
    needs = PROCEDURES["discrete-overvoltage"].needs(setup_of("discrete-overvoltage"))
    assert needs.untested == ("active-high discretes above 15.3 V at the pin; they must bear 16 V",)
    one_unfed = PROCEDURES["discrete-overvoltage"].needs(without_feeds("discrete-8"))
    assert one_unfed.untested[0] == "Discrete 8 above 9.9 V, where the stimuli end; they must bear 16 V"
    assert len(one_unfed.loads) == 3
    none = PROCEDURES["discrete-overvoltage"].needs(without_feeds(*(f"discrete-{n}" for n in range(7, 11))))
    assert none.untested[0].endswith("above 9.9 V, where the stimuli end; they must bear 16 V")
    assert (none.loads, none.highest_voltage_v, len(none.captures)) == ((), 13.8, 1)


def balanced_v(pull_ohm, *, line_ohm=1000.0, feed_ohm=68.0):
    """Where a pin stands: the bus at 15.68 V and the stimulus at 9.9 V against the unit's pull-down."""
    ohms_volts = ((feed_ohm, 15.68), (line_ohm, 9.9), (pull_ohm, 0.0))
    return sum(volts / ohms for ohms, volts in ohms_volts) / sum(1.0 / ohms for ohms, _ in ohms_volts)


def from_bus(pin_v, *, active=True):
    until_s = 0.15 + setup_of("discrete-overvoltage").step.conditions.get("hold_s", 60.0)
    scene = Scene("from-bus", until_s + 0.3, set_voltage_v=15.68, current_limit_a=0.5)
    fed = (scene.times_s >= 0.15) & (scene.times_s < until_s)
    scene.signal("unit.voltage", np.full(scene.n, 15.68)).signal("discrete-7.voltage", np.where(fed, pin_v, 0.0))
    scene.event("note", 0.15, fed_from_bus=True).event("note", until_s, fed_from_bus=False)
    scene.report("discrete-7", 0.1, state=False, counter=0).report("discrete-7", 0.18, state=True, counter=1)
    scene.report("discrete-7", until_s - 0.5, state=active, counter=1)
    return scene.report("discrete-7", until_s + 0.03, state=False, counter=2).capture()


def test_what_a_good_input_takes_from_the_bus_is_what_both_resistors_bring():
    pin_v = balanced_v(22e3)
    found = judged("discrete-overvoltage", high_level(), from_bus(pin_v))
    assert found["discrete-7.input-current-from-bus"].value == pytest.approx(pin_v / 22e3, abs=3e-5)
    assert {found[f"discrete-7.{what}"].verdict for what in ("input-current-from-bus", "from-bus")} == {Verdict.PASS}


def test_a_heavy_input_on_which_both_lines_agree_is_the_units():
    line_v = 9.9 * 2000.0 / 3000.0
    found = judged("discrete-overvoltage", high_level(pin_v=line_v), from_bus(balanced_v(2000.0)), alone(follows=True))
    assert outcome(found["discrete-7.input-current-from-bus"]) == (Verdict.FAIL, Cause.UNIT)
    assert found["discrete-7.input-current-from-bus"].value == pytest.approx(7.6e-3, abs=0.2e-3)


@pytest.mark.parametrize("feed_ohm", [200.0, 1e6])
def test_a_feed_that_is_not_what_its_sheet_says_blames_nobody(feed_ohm):
    found = judged("discrete-overvoltage", high_level(), from_bus(balanced_v(22e3, feed_ohm=feed_ohm)))
    current = found["discrete-7.input-current-from-bus"]
    assert outcome(current) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)
    assert "resistors of both lines to P2-7" in current.next_step


def test_an_input_that_lets_go_on_the_bus_fails_and_one_that_was_never_fed_does_not():
    letting_go = judged("discrete-overvoltage", from_bus(balanced_v(22e3), active=False))["discrete-7.from-bus"]
    assert outcome(letting_go) == (Verdict.FAIL, Cause.UNIT)
    unfed = judged("discrete-overvoltage", from_bus(4.0, active=False))["discrete-7.from-bus"]
    assert outcome(unfed) == (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def test_a_feeding_that_was_cut_short_is_the_benchs():
    scene = Scene("from-bus", 5.0).signal("discrete-7.voltage", np.zeros(5000))
    found = judged("discrete-overvoltage", high_level(), scene.event("note", 0.15, fed_from_bus=True).capture())
    assert outcome(found["discrete-7.input-current-from-bus"]) == (Verdict.INCONCLUSIVE, Cause.BENCH)


# Toggles


class Instants:
    """Takes down what `stimulate` drives."""

    now_s = 0.0

    def __init__(self):
        self.driven = []

    def drive(self, stimulus, voltage_v, *, at_s):
        self.driven.append((stimulus, at_s, voltage_v))


THOUSAND = {"toggles": 1000}


def toggles(*, missed=(), extra=()):
    """Discrete 1 as the procedure itself times it; changes `missed` leave no trace, `extra` ones count twice more."""
    procedure, setup = PROCEDURES["discrete-toggles"], setup_given("discrete-toggles", **THOUSAND)
    duration_s = procedure.needs(setup).captures[0].duration_s
    scene = Scene("toggles", duration_s)
    values, counter = np.full(scene.n, 5.0), 0
    instants_s = procedure.instants_s(setup, LOW)
    scene.report("discrete-1", 0.9, state=False, counter=0)
    for place, at_s in enumerate(instants_s):
        active = place % 2 == 0
        scene.drive("discrete-1", at_s, 0.0 if active else 5.0)
        values[round(at_s * 1000) :] = 0.88 if active else 5.0
        counter += 0 if place in missed else 3 if place in extra else 1
        scene.report("discrete-1", at_s + 0.025, state=active, counter=counter)
    return scene.signal("discrete-1.voltage", values).capture()


def test_two_thousand_changes_counted_once_each_pass():
    found = judged("discrete-toggles", toggles(), given=THOUSAND)["discrete-1.toggles"]
    assert (found.verdict, found.trials) == (Verdict.PASS, 2000)


def test_missed_and_extra_changes_are_told_apart_and_placed():
    found = judged("discrete-toggles", toggles(missed=(10, 11), extra=(500,)), given=THOUSAND)["discrete-1.toggles"]
    assert (*outcome(found), found.failures) == (Verdict.FAIL, Cause.UNIT, 3)
    assert found.reasons[0].startswith("2 changes missed, 2 too many; at 2.")


# Follow-ups


def test_only_what_reads_out_of_its_limits_is_unplugged_for():
    procedure, setup = PROCEDURES["discrete-contacts"], setup_of("discrete-contacts")
    suspects = [found.id for found in procedure.suspect_measurements(Shelf(contacts()), setup, LOW)]
    assert suspects == []
    weak = procedure.suspect_measurements(Shelf(contacts(pull_ohm=47000.0)), setup, LOW)
    assert [found.id for found in weak] == ["discrete-1.leakage"]
