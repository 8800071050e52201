"""The guard ends what must not go on, and nothing else."""

import pickle

import numpy as np
import pytest

from analysis.verdict import Cause
from bench.errors import AbortError
from bench.guard import Guard, MotionCommands

RATE_HZ = 1000.0
NOISE = np.random.default_rng(1).normal(0.0, 0.001, 1000)


def quiet(level: float, duration_s: float) -> np.ndarray:
    return level + NOISE[: round(duration_s * RATE_HZ)]


def guard(limit_a: float = 1.0) -> tuple[Guard, MotionCommands]:
    commands = MotionCommands()
    watching = Guard({"pitch": ("pitch-left-up", "pitch-left-down")}, commands)
    watching.current_limit_a = limit_a
    watching.begin()
    return watching, commands


def test_a_current_beyond_its_limit_for_longer_than_50_ms_ends_the_run_as_the_benchs():
    watching, _ = guard()
    watching.check({"unit.current": quiet(2.0, 0.04)}, 0.0, RATE_HZ)
    with pytest.raises(AbortError, match=r"2\.00 A") as caught:
        watching.check({"unit.current": quiet(2.0, 0.04)}, 0.04, RATE_HZ)
    assert caught.value.cause is Cause.BENCH


def test_a_current_at_its_limit_is_the_supplys_business():
    watching, _ = guard()
    for block in range(10):
        watching.check({"unit.current": quiet(1.0, 0.05)}, 0.05 * block, RATE_HZ)


def test_readings_that_never_change_name_the_channel_that_cannot_be_trusted():
    watching, _ = guard()
    names = ("unit.voltage", "pitch.voltage")
    live = np.arange(500, dtype=np.int16)
    stuck = np.column_stack([np.full(500, 11305, dtype=np.int16), live])
    watching.check_frozen(names, stuck, RATE_HZ)
    with pytest.raises(AbortError, match=r"unit\.voltage") as caught:
        watching.check_frozen(names, stuck[:50], RATE_HZ)
    assert (caught.value.suspect, caught.value.cause) == ("unit.voltage", Cause.BENCH)


def test_a_channel_over_its_range_is_not_frozen():
    watching, _ = guard()
    for _ in range(20):
        watching.check_frozen(("unit.current",), np.full((50, 1), 32767, dtype=np.int16), RATE_HZ)


def test_motion_nobody_commanded_ends_the_run_as_the_units():
    watching, _ = guard()
    watching.armed = True
    watching.check({"pitch.current": quiet(1.5, 0.2)}, 0.0, RATE_HZ)
    with pytest.raises(AbortError, match="uncommanded motion") as caught:
        watching.check({"pitch.current": quiet(1.5, 0.05)}, 0.2, RATE_HZ)
    assert caught.value.cause is Cause.UNIT


def test_motion_while_a_line_reads_closed_that_nobody_closed_ends_the_run_and_blames_nobody():
    watching, _ = guard()
    watching.armed = True
    with pytest.raises(AbortError, match="pitch-left-up reads closed") as caught:
        watching.check({"pitch.current": quiet(1.5, 0.25)}, 0.0, RATE_HZ, ["pitch-left-up"])
    assert caught.value.cause is Cause.UNDECIDED


def test_commanded_motion_and_what_follows_a_release_at_once_is_no_alarm():
    watching, commands = guard()
    watching.armed = True
    commands.add(0.0, "pitch-left-up", closed=True)
    commands.add(1.0, "pitch-left-up", closed=False)
    for block in range(24):  # still moving 0.2 s after the release: brake and scan
        watching.check({"pitch.current": quiet(-1.5, 0.05)}, 0.05 * block, RATE_HZ)


def test_current_through_an_output_that_is_not_armed_is_not_motion():
    watching, _ = guard()
    for block in range(20):
        watching.check({"pitch.current": quiet(1.5, 0.05)}, 0.05 * block, RATE_HZ)


def test_commands_are_known_in_any_stretch_however_they_were_told():
    commands = MotionCommands()
    commands.add(5.0, "pitch-left-up", closed=True)
    commands.add(6.0, "pitch-left-up", closed=False)
    switches = ("pitch-left-up",)
    assert not commands.commanded(switches, 4.0, 4.9)
    assert commands.commanded(switches, 4.0, 5.1)
    assert commands.commanded(switches, 5.5, 5.6)
    assert commands.commanded(switches, 5.9, 8.0)
    assert not commands.commanded(switches, 6.1, 8.0)
    assert not commands.commanded(("roll-left-left",), 5.5, 5.6)
    commands.forget_before(5.5)
    assert commands.commanded(switches, 5.5, 5.6)


def test_an_abort_survives_pickling_with_its_cause():
    error = pickle.loads(pickle.dumps(AbortError("too much", Cause.UNIT, "pitch.current")))  # noqa: S301
    assert (str(error), error.cause, error.suspect) == ("too much", Cause.UNIT, "pitch.current")


def test_a_second_current_channel_that_is_over_range_hides_no_over_current():
    watching, _ = guard(limit_a=5.0)
    clipped = np.full(50, 2.0)  # the 2 A channel shows its end, below the limit
    watching.check({"unit.current": clipped, "unit.current.high": quiet(12.0, 0.05)}, 0.0, RATE_HZ)
    with pytest.raises(AbortError, match=r"unit\.current\.high"):
        watching.check({"unit.current": clipped, "unit.current.high": quiet(12.0, 0.05)}, 0.05, RATE_HZ)


def test_more_volts_than_were_set_end_the_run_and_fewer_do_not():
    watching, _ = guard()
    watching.set_voltage_v = 13.8
    for level in (13.8, 14.0, 5.0):
        watching.check({"unit.voltage": quiet(level, 1.0)}, 0.0, RATE_HZ)
    with pytest.raises(AbortError, match=r"14\.20 V.*13\.80 V"):
        watching.check({"unit.voltage": quiet(14.2, 0.6)}, 0.0, RATE_HZ)
