"""Power ground pin: its resistance against the signal ground pin, from the step when all trim outputs drive at once.

Zeros are taken before and after the step: the offset of either channel is taken off, what it moved stays in u.
"""

from collections.abc import Iterable, Sequence

from analysis.measurement import Doubt, Result
from analysis.power import AGREES_WITHIN_U
from analysis.uncertainty import Estimate, bounded, difference, ratio, scaled, total
from analysis.verdict import Cause
from test_plans.bench_agreement import SIGNALS, Agreement, agreement_in, agreement_observation
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, current_limit_a
from test_plans.driving import LEAD_S, Touch, apply_loads, axes_under_test, bring_up, drop_loads, play_touches
from test_plans.expected import reading, typical
from test_plans.idle import idle_observation
from test_plans.model_gaps import without_function, without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, magnitude, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis
from test_plans.signals import function_named
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import load_name, trim_needs
from test_plans.trim_switches import duty_doubts, hold_of, line_doubts, others_than, watched_signals

RATE_HZ = 5000.0
BEFORE_S = 0.4
HOLD_S = 0.4  # short: the narrow current channel is over its range meanwhile
SETTLE_S = 0.1
AFTER_S = 0.4  # of it the zeros after the step, once the outputs have let go
READ_AFTER_S = 0.25  # the supply is read while everything drives
CONDITION = "ground"
CAPTURE = "step"


class GroundPin:
    """Resistance between power ground and signal ground."""

    name = "ground-pin"
    title = "Power ground pin at full trim current"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_function(setup, "ground") or without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the ground pin's function."""
        return (function_named(setup.unit, "ground"),)

    def needs(self, setup: Setup) -> Needs:
        """Return one short capture, all trim loads and their current."""
        axes = axes_under_test(setup)
        volts = bus_voltage_v(setup)
        load_a = sum(axis.rated_current_a for axis in axes)
        capture = CaptureNeed(
            name=CAPTURE,
            signals=_signals(setup),
            lines=trim_lines(setup.unit),
            sample_rate_hz=RATE_HZ,
            duration_s=_duration_s(),
            highest_v={"unit.voltage": volts, "supply.voltage": volts + 1.0, "return.current": load_a},
        )
        return trim_needs(
            setup,
            (capture,),
            volts=volts,
            condition=CONDITION,
            limit_a=current_limit_a(setup, CONDITION, 7.0),
            load=load_name(setup),
            limits=(("ground-resistance", _expected(setup, load_a)),),
            switches=(axis.switches[0] for axis in axes),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Drive all axes together for a moment."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 7.0))
        axes = axes_under_test(setup)
        apply_loads(rig, [(axis.name, load_name(setup)) for axis in axes])
        lines = trim_lines(setup.unit)
        with rig.capture(CAPTURE, _signals(setup), sample_rate_hz=RATE_HZ, lines=lines) as session:
            at_s = LEAD_S + BEFORE_S
            play_touches(
                session,
                [Touch(switch=axis.switches[0].name, closed_s=at_s, opened_s=at_s + HOLD_S) for axis in axes],
            )
            session.wait_until(at_s + READ_AFTER_S)
            rig.read_supply()
            session.wait_until(_duration_s())
        drop_loads(rig, [axis.name for axis in axes])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give dV/dI between off and on, idle others, and whether the bench's own figures agree."""
        record, axes = Record(evidence, CAPTURE), axes_under_test(setup)
        found, current_a = self._resistance(record, setup)
        on = _driven(record, axes)
        bench = Agreement(unchecked=("nothing was driven",)) if on is None else agreement_in(record, setup, *on)
        yield found.measurement(
            id="ground-pin.resistance",
            limit="ground-resistance",
            title="Power ground pin against signal ground pin",
            function=function_named(setup.unit, "ground"),
            quantity_unit="ohm",
            pins=(setup.unit.power_ground_pin, setup.unit.signal_ground_pin),
            doubts=bench.doubts,
            notes=(
                f"from a step of {current_a:.2f} A in the negative leg; zeros before and after, their drift in u",
                *bench.notes,
            ),
        )
        others, title = others_than(setup, axes), "All trim outputs: move nothing else"
        yield idle_observation(
            record,
            setup,
            others,
            "ground-pin.others-idle",
            title,
            function=axes[0].function if axes else function_named(setup.unit, "ground"),
            pins=tuple(pin for axis in axes for pin in (axis.plus_pin, axis.minus_pin)),
        )
        title = "Bench: its figures agree with every trim output on its load"
        yield from agreement_observation(record, "ground-pin.bench", title, (bench,))

    def _resistance(self, record: Record, setup: Setup) -> tuple[Estimate, float]:
        axes = axes_under_test(setup)
        on = _driven(record, axes)
        if on is None:
            cut = Doubt(reason=f"{record.name}: no switch was pressed", cause=Cause.BENCH, next_step="run it again")
            return nothing(*(record.missing or (cut,))), 0.0
        current, voltage = _stepped(record, "return.current", on), _stepped(record, "ground.voltage", on)
        doubts = list(supply_doubts(record, setup, CONDITION, *on))
        for axis in axes:
            doubts.extend(duty_doubts(record, axis, *on))
            held = hold_of(record, axis, axis.switches[0])
            doubts.extend(line_doubts(record, held) if held is not None else ())
        least_a = setup.unit.ground_current_a
        if not current.doubts and abs(current.value) < least_a:
            doubts.append(
                Doubt(
                    reason=f"only {abs(current.value):.2f} A flowed; the limit speaks of {least_a:g} A and more",
                    cause=Cause.UNDECIDED,
                    next_step="see trim-loaded: whether every axis drives its load",
                )
            )
        doubts.extend(_dead_doubts(record, voltage))
        return doubted(magnitude(ratio(voltage, current)), *doubts), abs(current.value)


def _dead_doubts(record: Record, voltage: Estimate) -> tuple[Doubt, ...]:
    """Return the doubt that the channel shows nothing at all: an open input would, and every pin drops some."""
    if record.capture is None or voltage.doubts:
        return ()
    least_v = max(AGREES_WITHIN_U * voltage.standard_uncertainty, record.capture.channels["ground.voltage"].scale)
    if abs(voltage.value) > least_v:
        return ()
    return (
        Doubt(
            reason=f"{record.name}: ground.voltage stepped by {1e6 * voltage.value:.0f} uV, as an open input would",
            cause=Cause.UNDECIDED,
            next_step="check the wires of ground.voltage to both ground pins, then put a known good unit on the bench",
        ),
    )


def _driven(record: Record, axes: Sequence[TrimAxis]) -> tuple[float, float] | None:
    """Return the steady stretch in which all axes drove; None where no switch was worked."""
    presses = record.stimuli(axes[0].switches[0].name) if axes else ()
    return (presses[0].time_s + SETTLE_S, presses[1].time_s) if len(presses) > 1 else None


def _stepped(record: Record, signal: str, on: tuple[float, float]) -> Estimate:
    """Return by how much a signal stepped while driven; half of what its zero moved from before to after is a bound."""
    before = record.mean(signal, 0.0, on[0] - SETTLE_S - 0.01)
    after = record.mean(signal, on[1] + SETTLE_S, record.duration_s)
    drift = bounded(0.0, 0.5 * abs(after.value - before.value), f"{signal}: drift of its zero over the step")
    return total(record.mean(signal, *on), scaled(total(before, after), -0.5), drift)


def _expected(setup: Setup, load_a: float) -> float:
    """Return the uncertainty of a resistance from a step of all loads, zeros taken and standing still."""
    stepped_v = typical(setup, "ground-resistance") * load_a
    current = difference(reading(setup, "return.current", load_a), reading(setup, "return.current", 0.0))
    voltage = difference(reading(setup, "ground.voltage", stepped_v), reading(setup, "ground.voltage", 0.0))
    return ratio(voltage, current).standard_uncertainty


def _signals(setup: Setup) -> tuple[str, ...]:
    axes = axes_under_test(setup)
    return (*SIGNALS, "ground.voltage", *watched_signals(setup), *(f"{axis.name}.current" for axis in axes))


def _duration_s() -> float:
    return LEAD_S + BEFORE_S + HOLD_S + AFTER_S
