"""Motion switches held while the bus falls below reset and rises again, at slow and fast rates, and while it comes on.

A unit must not take a switch for pressed that it never saw pressed: no motion from reset until release and new press,
none the wrong way, none at all by itself. One switch of every axis is held at a time.
"""

from collections.abc import Iterable, Iterator

from analysis.measurement import Result
from test_plans.bus_ramp import RESET_LIMIT, obeyed
from test_plans.bus_ramp_held_readings import HeldRun, read_run
from test_plans.bus_ramp_held_shots import (
    DRIVES_S,
    RATE_HZ,
    Shot,
    come_on_shots,
    high_v,
    limit_a,
    press_anew,
    ramp_shots,
    ready_s,
    signals_of,
    untested,
)
from test_plans.bus_slope import achieved, play_slope, slope_doubts
from test_plans.conditions import conforming_a
from test_plans.driving import (
    LEAD_S,
    POWER_UP_RATE_V_PER_S,
    READY_WAIT_S,
    apply_loads,
    axes_under_test,
    bring_up,
    drop_loads,
)
from test_plans.idle import idle_doubts, idle_statement, moved_outputs
from test_plans.model_gaps import without_function, without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.profile_shot import EMPTIES_S, moving_outputs
from test_plans.readings import Record
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup, TrimAxis
from test_plans.signals import function_named, voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trials import Trial, tried
from test_plans.trim_bench import LIGHT, RUN_PATH, light_load

APART_S = 0.3  # of bench time, between captures


class BusRampHeld:
    """No motion by a switch that was held through a reset or a start."""

    name = "bus-ramp-held"
    title = "Motion switches held while the bus falls, rises and comes on"
    conditions = (
        "first_rate_v_per_s",
        "last_rate_v_per_s",
        "rates",
        "trials",
        "current_limit_a",
        "load",
        "axes",
    )
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_function(setup, "bus-monitor") or without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the bus monitor's function."""
        return (function_named(setup.unit, "bus-monitor"),)

    def needs(self, setup: Setup) -> Needs:
        """Return a capture for each rate and switch held, and one for each switch held while the bus comes on."""
        nominal_v, axes = setup.unit.nominal_voltage_v, axes_under_test(setup)
        highest_v = {"unit.voltage": nominal_v, **{voltage_signal(axis.name): nominal_v for axis in axes}}
        came_on, shots = come_on_shots(setup), (*ramp_shots(setup), *come_on_shots(setup))
        captures = tuple(
            CaptureNeed(
                name=shot.name,
                signals=signals_of(setup),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=shot.duration_s(setup),
                highest_v=highest_v,
            )
            for shot in shots
        )
        apart_s = APART_S * len(shots) + EMPTIES_S * len(came_on)
        travel_s = 2.0 * (nominal_v - high_v(setup)) / POWER_UP_RATE_V_PER_S
        return Needs(
            bench_time_s=sum(need.duration_s for need in captures) + apart_s + travel_s + READY_WAIT_S,
            captures=captures,
            highest_voltage_v=nominal_v,
            supply_current_a=conforming_a(setup, LIGHT),
            current_limit_a=limit_a(setup),
            loads=tuple((axis.name, light_load(setup)) for axis in axes),
            switches=tuple(switch.name for axis in axes for switch in axis.switches),
            paths=(*RUN_PATH, SupplyPath.OPEN.value),
            untested=untested(setup),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Take every rate with its switches held, then the bus coming on with each switch held."""
        nominal_v, axes = setup.unit.nominal_voltage_v, axes_under_test(setup)
        bring_up(rig, setup, voltage_v=nominal_v, current_limit_a=limit_a(setup))
        apply_loads(rig, [(axis.name, light_load(setup)) for axis in axes])
        rig.ramp_supply(high_v(setup), rate_v_per_s=POWER_UP_RATE_V_PER_S)
        for shot in ramp_shots(setup):
            self._ramp(rig, setup, shot)
        for shot in come_on_shots(setup):
            self._come_on(rig, setup, shot)
        rig.idle_inputs()
        drop_loads(rig, [axis.name for axis in axes])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for every axis that it rests on a ramp and when the bus comes on, drives when pressed anew, and how."""
        ramps = [(Record(evidence, shot.name), shot.slope(setup)) for shot in ramp_shots(setup)]
        rates = {record.name: achieved(record, slope, setup) for record, slope in ramps}
        bent = {record.name: slope_doubts(record, slope, rates[record.name]) for record, slope in ramps}
        powered = [Record(evidence, shot.name) for shot in come_on_shots(setup)]
        notes = tuple(f"{one.name}: asked {slope.rate_v_per_s:g} V/s, {rates[one.name].words}" for one, slope in ramps)
        for axis in axes_under_test(setup):
            ramped = [read_run(record, setup, axis, also=bent[record.name]) for record, _ in ramps]
            came_on = [read_run(record, setup, axis, from_dead=True) for record in powered]
            yield from _of_axis(axis, setup, ramped, came_on, obeys=obeyed(evidence, setup, axis), notes=notes)
        yield from _others([*(record for record, _ in ramps), *powered], setup)

    def _ramp(self, rig: Rig, setup: Setup, shot: Shot) -> None:
        """Press just above the lock-out, fall and rise, let go, press again; the bus ends where it stood."""
        slope = shot.slope(setup)
        with rig.capture(shot.name, signals_of(setup), sample_rate_hz=RATE_HZ, lines=trim_lines(setup.unit)) as session:
            rig.ramp_supply(slope.from_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)
            pressed_s = session.now_s + LEAD_S
            for switch in shot.switches:
                session.press(switch.name, at_s=pressed_s)
            session.wait_until(pressed_s + DRIVES_S)
            play_slope(rig, session, setup, slope, limit_a=limit_a(setup))
            rig.wait(shot.held_on_s(setup))
            press_anew(session, shot.switches)

    def _come_on(self, rig: Rig, setup: Setup, shot: Shot) -> None:
        """Have the bus dead, press, have it come on, let go, press again."""
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)
        rig.wait(EMPTIES_S)
        rig.set_supply(0.0, limit_a(setup))
        rig.connect(SupplyPath.RUN)
        rig.set_output(True)
        with rig.capture(shot.name, signals_of(setup), sample_rate_hz=RATE_HZ, lines=trim_lines(setup.unit)) as session:
            pressed_s = session.now_s + LEAD_S
            for switch in shot.switches:
                session.press(switch.name, at_s=pressed_s)
            session.wait_until(pressed_s + LEAD_S)
            rig.ramp_supply(setup.unit.nominal_voltage_v, rate_v_per_s=shot.rate_v_per_s)
            rig.wait(ready_s(setup))
            press_anew(session, shot.switches)


def _of_axis(
    axis: TrimAxis,
    setup: Setup,
    ramped: list[HeldRun],
    came_on: list[HeldRun],
    *,
    obeys: bool,
    notes: tuple[str, ...],
) -> Iterator[Result]:
    runs = [*ramped, *came_on]
    alive = obeys or any(run.drove_before or run.drove_again for run in runs)
    pins = (axis.plus_pin, axis.minus_pin, setup.unit.power_pin)
    for trials, what, title, statement, said in (
        (
            [run.rests(alive=alive) for run in ramped],
            "rests",
            f"a switch held while the bus falls {_depth(setup)} and rises again",
            "no motion from the lock-out until it is let go and pressed again",
            notes,
        ),
        (
            [run.rests(alive=alive) for run in came_on],
            "rests-at-power-up",
            "a switch held while the bus comes on",
            "no motion until it is let go and pressed again",
            (),
        ),
        (
            [run.drives_again(alive=alive) for run in runs],
            "new-press",
            "pressed again after the bus fell or came on",
            "it drives",
            (),
        ),
        (
            [run.right_way() for run in runs],
            "right-way",
            "whatever the bus does with a switch held",
            "never a pulse the wrong way",
            (),
        ),
    ):
        yield tried(
            trials,
            id_=f"bus-ramp-held.{axis.name}.{what}",
            title=f"{axis.title}: {title}",
            function=axis.function,
            statement=statement,
            pins=pins,
            notes=said,
        )


def _depth(setup: Setup) -> str:
    return "below reset" if RESET_LIMIT in setup.unit.limits else "below the lock-out"


def _others(records: list[Record], setup: Setup) -> Iterator[Result]:
    """Yield that no other output that could move did."""
    held = {axis.name for axis in axes_under_test(setup)}
    others = tuple(name for name in moving_outputs(setup) if name not in held)
    if not others:
        return
    trials = [
        Trial(
            wrong=f"{record.name}: {', '.join(moved)}" if (moved := moved_outputs(record, setup, others)) else "",
            doubts=idle_doubts(record, setup, others),
            captures=record.names,
        )
        for record in records
    ]
    yield tried(
        trials,
        id_="bus-ramp-held.no-uncommanded-motion",
        title="Bus that falls, rises and comes on: nothing else moves",
        function=function_named(setup.unit, "bus-monitor"),
        statement=idle_statement(setup, len(others)),
        pins=(setup.unit.power_pin,),
    )
