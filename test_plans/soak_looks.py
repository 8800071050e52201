"""A soak as it is driven: looks at everything that may drift, evenly spaced, and the bus and output watched in between.

A look takes one capture for each thing: levels and pulses of the dimming, the loaded hold-up output with one trim
output driven on its load, and what the unit takes with its outputs unloaded. The load stays on but for the last.
"""

from dataclasses import dataclass

from test_plans.conditions import bus_voltage_v, count, number
from test_plans.dimming_bench import levels_capture, periods_s, sample_rate_hz, signals_of
from test_plans.dimming_levels import SETTLE_S
from test_plans.driving import LEAD_S, apply_loads, axes_under_test, drop_loads, in_turn, play_touches
from test_plans.hold_up import CURRENT, full_load, held_output, lines_of, put_load
from test_plans.procedure import CaptureNeed
from test_plans.rig import Rig
from test_plans.sheets import DimmingOutput, Setup, TrimAxis
from test_plans.signals import current_signal, voltage_signal
from test_plans.trim_bench import load_name
from test_plans.trim_loaded import HOLD_S, capture_signals

SOAK_S = 600.0
LOOKS = 11
PERIODS = 72  # of pulses, in a look
TRAVEL = 0.5  # of every wiper, all through the soak
RATE_HZ = 5000.0
WATCH_HZ = 1000.0
AFTER_S = 0.2  # the switch let go
QUIET_SETTLE_S = 0.1  # the load taken off
QUIET_S = 0.4
REFERENCE = "reference.voltage"
LOOK_S = 2.0  # a look, with the switching of its loads


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """The captures of one look; `watch` is taken from there to the next look."""

    levels: str
    load: str
    quiet: str
    watch: str


def names_of(place: int) -> Names:
    """Return the names of the captures of look `place`, counted from 0."""
    return Names(
        levels=f"levels-{place + 1}", load=f"load-{place + 1}", quiet=f"quiet-{place + 1}", watch=f"watch-{place + 1}"
    )


def looks_of(setup: Setup) -> int:
    """Return how many looks there are: condition `points`."""
    return max(2, count(setup, "points", LOOKS))


def soak_s(setup: Setup) -> float:
    """Return how long the soak lasts, from the first look to the last: condition `soak_time_s`."""
    return number(setup, "soak_time_s", SOAK_S)


def watch_s(setup: Setup) -> float:
    """Return how long is watched from one look to the next."""
    return max(1.0, soak_s(setup) / (looks_of(setup) - 1) - LOOK_S)


def driven_axis(setup: Setup) -> TrimAxis | None:
    """Return the axis whose drop is looked at: the first under test; None where the model has none."""
    return next(iter(axes_under_test(setup)), None)


def looked_at(setup: Setup) -> DimmingOutput | None:
    """Return the dimming output that is looked at: the first pulsed one, else the first; None without any."""
    pulsed = (output for output in setup.unit.dimming if output.frequency_hz > 0.0)
    return next(pulsed, next(iter(setup.unit.dimming), None))


def held_signals(setup: Setup) -> tuple[str, str]:
    """Return voltage and current of the hold-up output."""
    name = held_output(setup).name
    return voltage_signal(name), current_signal(name)


def load_signals(setup: Setup) -> tuple[str, ...]:
    """Return what a look at the loaded outputs holds."""
    axis = driven_axis(setup)
    trim = () if axis is None else capture_signals(setup, axis)
    return tuple(dict.fromkeys((*trim, "unit.voltage", CURRENT, REFERENCE, *held_signals(setup))))


def captures_of(setup: Setup) -> tuple[CaptureNeed, ...]:
    """Return every capture of the soak."""
    output, axis, volts = held_output(setup), driven_axis(setup), bus_voltage_v(setup)
    held = {"unit.voltage": volts, voltage_signal(output.name): output.held_v}
    held |= {current_signal(output.name): output.rated_current_a}
    driven = {} if axis is None else {voltage_signal(axis.name): volts, f"{axis.name}.current": axis.rated_current_a}
    needs: list[CaptureNeed] = []
    for place in range(looks_of(setup)):
        names = names_of(place)
        if looked_at(setup) is not None:
            needs.append(
                levels_capture(setup, names.levels, n_periods=PERIODS, duration_s=levels_duration_s(setup), bus_v=volts)
            )
        needs.append(
            CaptureNeed(
                name=names.load,
                signals=load_signals(setup),
                lines=lines_of(setup),
                sample_rate_hz=RATE_HZ,
                duration_s=load_duration_s(),
                highest_v=held | driven,
            )
        )
        needs.append(
            CaptureNeed(
                name=names.quiet,
                signals=("unit.voltage", "unit.current"),
                sample_rate_hz=RATE_HZ,
                duration_s=QUIET_SETTLE_S + QUIET_S,
                highest_v={"unit.voltage": volts},
            )
        )
        if place + 1 < looks_of(setup):
            needs.append(
                CaptureNeed(
                    name=names.watch,
                    signals=("unit.voltage", CURRENT, *held_signals(setup)),
                    lines=lines_of(setup),
                    sample_rate_hz=WATCH_HZ,
                    duration_s=watch_s(setup),
                    highest_v=held,
                )
            )
    return tuple(needs)


def levels_duration_s(setup: Setup) -> float:
    """Return how long a look at the dimming lasts."""
    return SETTLE_S + periods_s(setup, PERIODS)


def load_duration_s() -> float:
    """Return how long a look at the loaded outputs lasts."""
    return LEAD_S + HOLD_S + AFTER_S


def look(rig: Rig, setup: Setup, place: int) -> None:
    """Take one look, with the load on before and after it."""
    names, axis = names_of(place), driven_axis(setup)
    if looked_at(setup) is not None:
        with rig.capture(names.levels, signals_of(setup), sample_rate_hz=sample_rate_hz(setup, PERIODS)) as session:
            session.wait_until(levels_duration_s(setup))
    if axis is not None:
        apply_loads(rig, [(axis.name, load_name(setup))])
    with rig.capture(names.load, load_signals(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup)) as session:
        if axis is not None:
            play_touches(session, in_turn([axis.switches[0].name], first_s=LEAD_S, hold_s=HOLD_S, pause_s=0.0))
            session.wait_until(LEAD_S + 0.5 * HOLD_S)
            rig.read_supply()
        session.wait_until(load_duration_s())
    if axis is not None:
        drop_loads(rig, [axis.name])
    put_load(rig, setup, "open")
    with rig.capture(names.quiet, ("unit.voltage", "unit.current"), sample_rate_hz=RATE_HZ) as session:
        session.wait_until(QUIET_SETTLE_S + QUIET_S)
    put_load(rig, setup, full_load(setup))


def watch(rig: Rig, setup: Setup, place: int, until_s: float) -> None:
    """Sample the bus and the output from a look until bench time `until_s`."""
    signals = ("unit.voltage", CURRENT, *held_signals(setup))
    with rig.capture(names_of(place).watch, signals, sample_rate_hz=WATCH_HZ, lines=lines_of(setup)) as session:
        session.wait_until(max(1.0, until_s - rig.now_s))
