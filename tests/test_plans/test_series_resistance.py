"""A pin that does not follow: the unit's where nothing in the line can explain it, nobody's where a resistance can."""

import numpy as np
import pytest
from synthetic_captures import Scene, judged, sheets

from analysis.verdict import Cause, Verdict
from test_plans.held_pins import line_explains

LOW, HIGH = sheets().unit.discretes[0], sheets().unit.discretes[6]
LINE_OHM = 1000.0
INCONCLUSIVE = (Verdict.INCONCLUSIVE, Cause.UNDECIDED)


def pin_v(drive_v, *, line_ohm=LINE_OHM, pull_ohm=4700.0, pull_v=5.0):
    return drive_v + (pull_v - drive_v) * line_ohm / (line_ohm + pull_ohm)


def stepped(name, duration_s, steps, at_pin):
    scene = Scene(name, duration_s)
    values = np.full(scene.n, at_pin(steps[0][1]))
    for at_s, level_v in steps:
        scene.drive("discrete-1", at_s, level_v)
        values[round(at_s * 1000) :] = at_pin(level_v)
    return scene.signal("discrete-1.voltage", values)


def truth(at_pin):
    """Switch discrete 1 to and fro; it reports as a good one would."""
    steps = [(1.2 + 0.08 * place, 5.0 * (place % 2)) for place in range(6)]
    scene = stepped("truth", 3.0, steps, at_pin).report("discrete-1", 0.5, state=False, counter=0)
    for place, (at_s, level_v) in enumerate(steps):
        scene.report("discrete-1", at_s + 0.025, state=level_v < 2.0, counter=place + 1)
    return scene.capture()


def pulled(at_pin):
    return stepped("pull-up", 0.65, ((0.15, 0.0), (0.40, 2.0)), at_pin).capture()


def alone():
    return stepped("isolation", 0.65, ((0.15, 2.0), (0.40, 8.0)), lambda level_v: level_v).capture()


def verdict(capture, what):
    found = judged("discrete-levels", capture, alone())[f"discrete-1.{what}"]
    return found.verdict, found.cause


@pytest.mark.parametrize("line_ohm", [2000.0, 10_000.0])
def test_a_stimulus_resistor_that_is_too_large_is_not_the_units(line_ohm):
    def at_pin(drive_v):
        return pin_v(drive_v, line_ohm=line_ohm)

    assert verdict(truth(at_pin), "truth") == INCONCLUSIVE
    assert verdict(pulled(at_pin), "pull-current") == INCONCLUSIVE
    found = judged("discrete-levels", pulled(at_pin))["discrete-1.pull-current"]
    assert found.next_step == "measure the series resistance of line discrete-1"


def test_a_pull_up_that_is_open_stays_the_units():
    assert verdict(pulled(lambda drive_v: pin_v(drive_v, pull_ohm=1e7)), "pull-current") == (Verdict.FAIL, Cause.UNIT)


@pytest.mark.parametrize(
    "at_pin",
    [lambda _drive_v: 0.01, lambda _drive_v: 9.5, lambda drive_v: pin_v(drive_v, pull_ohm=825.0, pull_v=0.877)],
    ids=["shorted", "tied high", "leaks to ground"],
)
def test_a_pin_that_is_held_where_no_resistance_leads_is_the_units(at_pin):
    assert verdict(truth(at_pin), "truth") == (Verdict.FAIL, Cause.UNIT)


def test_a_line_leads_to_the_pull_voltage_whatever_its_resistance():
    assert line_explains(LOW, [(0.0, 3.4), (5.0, 5.0)])
    assert line_explains(HIGH, [(0.0, 0.0), (8.0, 0.01)])  # stands where its own pull holds it
    assert not line_explains(LOW, [(0.0, 0.0), (5.0, 0.0)])
    assert line_explains(LOW, [(0.0, 3.4)])  # one level speaks against nothing
