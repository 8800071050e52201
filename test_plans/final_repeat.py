"""Final repeat: quiescent current, one loaded drop and the configuration again; has the unit changed on the bench?"""

import math
from collections.abc import Iterable, Iterator, Sequence

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.power import AGREES_WITHIN_U
from analysis.verdict import Cause
from test_plans.bench_agreement import SIGNALS, agreement_observation
from test_plans.conditions import bus_voltage_v, conforming_a, current_limit_a
from test_plans.driving import axes_under_test, bring_up
from test_plans.model_gaps import without_trim
from test_plans.power_up import configuration, expected_quiescent, quiescent
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.reported_settings import setting_observations
from test_plans.reset_counts import ITEM, asked_for_so_far, left_by
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import function_named
from test_plans.trim_bench import RUN_PATH, load_name
from test_plans.trim_loaded import (
    CONDITION,
    capture_need,
    drop_measurement,
    expected_drop,
    lets_go_observation,
    press_on_load,
    switch_agreement,
)
from test_plans.trim_switches import switch_id

RATE_HZ = 1000.0
QUIET_S = 1.3
READ_AT_S = 0.8  # in the second that is averaged
DRIFT_FRACTION = 0.05  # of the first value: warm copper is not a change


class FinalRepeat:
    """What was measured first, measured last."""

    name = "final-repeat"
    title = "Final repeat of quiescent current, one drop and configuration"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function and that of the axis driven again."""
        axis, _ = _chosen(setup)
        return (function_named(setup.unit, "power"), axis.function)

    def needs(self, setup: Setup) -> Needs:
        """Return two captures."""
        axis, switch = _chosen(setup)
        volts = bus_voltage_v(setup)
        captures = (
            CaptureNeed(name="quiescent", signals=SIGNALS, sample_rate_hz=RATE_HZ, duration_s=QUIET_S),
            capture_need(setup, axis, "drop", 1.0),
        )
        return Needs(
            bench_time_s=4.0,
            captures=captures,
            highest_voltage_v=volts,
            supply_current_a=conforming_a(setup, CONDITION),
            current_limit_a=current_limit_a(setup, CONDITION, 3.0),
            loads=((axis.name, load_name(setup)),),
            load_current_a=axis.rated_current_a,
            switches=(switch.name,),
            paths=RUN_PATH,
            bus=True,
            limits=(("quiescent-current", expected_quiescent(setup)), ("trim-drop", expected_drop(setup))),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Look at rest, then press one switch on its load."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 3.0))
        rig.wait(0.3)
        with rig.capture("quiescent", SIGNALS, sample_rate_hz=RATE_HZ) as session:
            session.wait_until(READ_AT_S)
            rig.read_supply()
            session.wait_until(QUIET_S)
        axis, switch = _chosen(setup)
        press_on_load(rig, setup, axis, "drop", (switch,))

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give both values again, whether they agree with the first ones, and the configuration as left."""
        axis, switch = _chosen(setup)
        rest, drop = Record(evidence, "quiescent"), Record(evidence, "drop")
        again = quiescent(
            rest, setup, CONDITION, "final-repeat.quiescent", "Quiescent current, again at the end of the run"
        )
        yield again
        yield from self._agrees(evidence, again, "power-up.quiescent")
        once_more = drop_measurement(drop, setup, axis, switch, f"final-repeat.{switch_id(switch, 'drop')}")
        yield once_more
        yield from self._agrees(evidence, once_more, switch_id(switch, "drop"))
        yield lets_go_observation(drop, axis, (switch,), "final-repeat.lets-go")
        bench = (switch_agreement(drop, setup, axis, switch),)
        yield from agreement_observation(
            drop, "final-repeat.bench", "Bench: its figures agree, again at the end", bench
        )
        if "configuration" in setup.unit.bus.reports:
            yield configuration(rest, setup, "final-repeat.configuration", "Configuration as left", "as left")
        yield from setting_observations(rest, setup, "final-repeat", "as left")
        if ITEM in setup.unit.bus.reports:
            yield from self._resets(evidence, setup, (rest, drop))

    def _resets(self, evidence: Evidence, setup: Setup, records: Sequence[Record]) -> Iterator[Observation]:
        """Compare the reset count with power-up's and what was asked for since.

        A reset seen while the bus was sampled was put down to somebody where it was seen. One that shows only here came
        when nobody looked, at the unit or at the bus: undecided.
        """
        first = left_by("power-up", evidence)
        counts = [count for record in records if (count := record.count(ITEM, last=True)) is not None]
        if first is None:
            return
        wanted = first + asked_for_so_far(evidence, setup)
        unreported = Doubt(
            reason="the unit did not report its reset count",
            cause=Cause.UNDECIDED,
            next_step="check that reports come at all (ready time)",
        )
        yield Observation(
            id="final-repeat.resets",
            title="Reset count over the run",
            function=function_named(setup.unit, "power"),
            statement="it went up by no more than the resets that were asked for",
            trials=int(bool(counts)),
            failures=int(bool(counts) and counts[-1] > wanted),
            detail=f"it is {counts[-1] if counts else None}, {first} at power-up, {wanted - first} asked for since",
            cause_if_failed=Cause.UNDECIDED,
            next_step="run it again with a meter on the unit's pins: a bus that dips resets a good unit",
            doubts=() if counts else (unreported,),
            captures=tuple(name for record in records for name in record.names),
            pins=(setup.unit.power_pin,),
        )

    def _agrees(self, evidence: Evidence, again: Measurement, first_id: str) -> Iterator[Observation]:
        """Compare with the first value, where there is one: within 3 u of the difference and a twentieth of it.

        u of both readings is taken as if independent, although their channels are the same: a change is called one
        only when it is sure.
        """
        first = evidence.earlier(first_id)
        if first is None or not math.isfinite(first.value):
            return
        known = math.isfinite(again.value)
        moved = again.value - first.value
        u = math.hypot(again.standard_uncertainty, first.standard_uncertainty)
        allowed = AGREES_WITHIN_U * u + DRIFT_FRACTION * abs(first.value)
        yield Observation(
            id=f"{again.id}.agrees",
            title=f"{again.title}: as at the first time",
            function=again.function,
            statement="the value has not changed over the run",
            trials=int(known),
            failures=int(known and abs(moved) > allowed),
            detail=f"it moved by {moved:.4g} {again.quantity_unit}",
            cause_if_failed=Cause.UNDECIDED,
            next_step="run the bench check again: a channel that drifted shows there, a unit that warmed up does not",
            doubts=again.doubts,
            captures=again.captures,
            pins=again.pins,
            notes=(f"first {first.value:.4g}, now {again.value:.4g} {again.quantity_unit}",),
        )


def _chosen(setup: Setup) -> tuple[TrimAxis, TrimSwitch]:
    axis = axes_under_test(setup)[0]
    return axis, axis.switches[0]
