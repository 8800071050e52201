"""Power ground pin: its resistance against the signal ground pin, from the step when all trim outputs drive at once."""

from collections.abc import Iterable

from analysis.measurement import Doubt, Result
from analysis.uncertainty import Estimate, difference, ratio
from analysis.verdict import Cause
from test_plans.conditions import bus_voltage_v, current_limit_a
from test_plans.driving import (
    LEAD_S,
    Action,
    apply_loads,
    axes_under_test,
    bring_up,
    drop_loads,
    play,
    press_at,
    release_at,
)
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record, doubted, magnitude, nothing, supply_doubts
from test_plans.rig import Rig
from test_plans.sheets import Setup
from test_plans.signals import function_named
from test_plans.trim_loaded import load_name
from test_plans.trim_switches import RUN_PATH

RATE_HZ = 5000.0
BEFORE_S = 0.4
HOLD_S = 0.4  # short: the narrow current channel is over its range meanwhile
SETTLE_S = 0.1
LEAST_CURRENT_A = 4.0  # the sheet's limit speaks of 4 A and more
CONDITION = "ground"
CAPTURE = "step"
SIGNALS = ("supply.voltage", "ground.voltage", "return.current", "unit.current.high")


class GroundPin:
    """Resistance between power ground and signal ground."""

    name = "ground-pin"
    title = "Power ground pin at full trim current"

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the ground pin's function."""
        return (function_named(setup.unit, "ground"),)

    def needs(self, setup: Setup) -> Needs:
        """Return one short capture, all trim loads and their current."""
        axes = axes_under_test(setup)
        volts = bus_voltage_v(setup)
        load_a = sum(axis.rated_current_a for axis in axes)
        return Needs(
            bench_time_s=LEAD_S + BEFORE_S + HOLD_S + 1.0,
            captures=(
                CaptureNeed(
                    name=CAPTURE,
                    signals=(*SIGNALS, *(f"{axis.name}.current" for axis in axes)),
                    sample_rate_hz=RATE_HZ,
                    duration_s=LEAD_S + BEFORE_S + HOLD_S + 0.2,
                    highest_v={"unit.voltage": volts, "supply.voltage": volts + 1.0, "return.current": load_a},
                ),
            ),
            highest_voltage_v=volts,
            supply_current_a=setup.unit.conforming_current_a.get(CONDITION, load_a),
            current_limit_a=current_limit_a(setup, CONDITION, 7.0),
            loads=tuple((axis.name, load_name(setup)) for axis in axes),
            load_current_a=max((axis.rated_current_a for axis in axes), default=0.0),
            switches=tuple(axis.switches[0].name for axis in axes),
            paths=RUN_PATH,
            bus=True,
            limits=(("ground-resistance", 0.1e-3),),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Drive all axes together for a moment."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 7.0))
        axes = axes_under_test(setup)
        apply_loads(rig, [(axis.name, load_name(setup)) for axis in axes])
        signals = (*SIGNALS, *(f"{axis.name}.current" for axis in axes))
        with rig.capture(CAPTURE, signals, sample_rate_hz=RATE_HZ) as session:
            at_s = LEAD_S + BEFORE_S
            actions: list[Action] = []
            for axis in axes:
                switch = axis.switches[0].name
                actions += [press_at(session, switch, at_s), release_at(session, switch, at_s + HOLD_S)]
            play(session, actions)
            session.wait_until(at_s + HOLD_S + 0.2)
        drop_loads(rig, [axis.name for axis in axes])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give dV/dI between off and on."""
        record = Record(evidence, CAPTURE)
        found, current_a = self._resistance(record, setup)
        yield found.measurement(
            id="ground-pin.resistance",
            limit="ground-resistance",
            title="Power ground pin against signal ground pin",
            function=function_named(setup.unit, "ground"),
            quantity_unit="ohm",
            pins=(setup.unit.power_ground_pin, setup.unit.signal_ground_pin),
            notes=(f"from a step of {current_a:.2f} A in the negative leg",),
        )

    def _resistance(self, record: Record, setup: Setup) -> tuple[Estimate, float]:
        axes = axes_under_test(setup)
        presses = record.stimuli(axes[0].switches[0].name) if axes else ()
        if len(presses) < 2:
            cut = Doubt(reason=f"{record.name}: no switch was pressed", cause=Cause.BENCH, next_step="run it again")
            return nothing(*(record.missing or (cut,))), 0.0
        off = (0.0, presses[0].time_s - 0.01)
        on = (presses[0].time_s + SETTLE_S, presses[1].time_s)
        current = difference(record.mean("return.current", *on), record.mean("return.current", *off))
        voltage = difference(record.mean("ground.voltage", *on), record.mean("ground.voltage", *off))
        doubts = list(supply_doubts(record, setup, CONDITION, *on))
        if not current.doubts and abs(current.value) < LEAST_CURRENT_A:
            doubts.append(
                Doubt(
                    reason=f"only {abs(current.value):.2f} A flowed; the limit speaks of {LEAST_CURRENT_A:g} A",
                    cause=Cause.UNDECIDED,
                    next_step="see trim-loaded: whether every axis drives its load",
                )
            )
        return doubted(magnitude(ratio(voltage, current)), *doubts), abs(current.value)
