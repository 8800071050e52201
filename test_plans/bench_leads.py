"""Leads, sense and current readings at 10 A into a resistor at the unit plug, then the unit is plugged in.

Four ways to know one current and three to know one voltage: where two disagree, the bench is at fault. The narrow
current channel, which is over its range at 10 A, is proved in the same way at a current of its own.
"""

import math
from collections.abc import Iterable

from analysis.measurement import Doubt, Result
from analysis.power import (
    Consistency,
    checked,
    is_steady,
    lead_resistance,
    leads_agree,
    legs_agree,
    readback_agrees,
)
from analysis.uncertainty import Estimate, bounded, combined, difference, exact, ratio, with_doubts
from analysis.verdict import Cause
from test_plans.bench_agreement import branch_check, expected_leads, read_back_current
from test_plans.bench_observation import bench_observation
from test_plans.conditions import number, text
from test_plans.driving import plug
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup

RATE_HZ = 2000.0
LOOK_S = 0.30
SETTLE_S = 0.05
SIGNALS = ("supply.voltage", "unit.voltage", "unit.current.high", "return.current")
SUPPLY_RATE_V_PER_S = 100.0
NARROW = "narrow"
NARROW_CURRENT_A = 1.5  # of the narrow channel's 2 A


class BenchLeads:
    """Lead resistance, remote sense, current limit and current readings into a known resistor."""

    name = "bench-leads"
    title = "Leads, sense and current readings at 10 A"
    conditions = ("current_a", "current_limit_a", "load")

    def functions(self, setup: Setup) -> tuple[str, ...]:  # noqa: ARG002
        """Return none: it touches the bench alone."""
        return ()

    def needs(self, setup: Setup) -> Needs:
        """Return its three short captures, the resistor and the current through it."""
        voltage_v, load_a = _voltage_v(setup), _load_current_a(setup)
        highest = {"supply.voltage": voltage_v + 1.0, "unit.voltage": voltage_v}
        currents = {"unit.current.high": load_a, "return.current": load_a}
        return Needs(
            bench_time_s=3.0,
            captures=(
                CaptureNeed(
                    name="unloaded", signals=SIGNALS, sample_rate_hz=RATE_HZ, duration_s=LOOK_S, highest_v=highest
                ),
                CaptureNeed(
                    name=NARROW,
                    signals=SIGNALS,
                    sample_rate_hz=RATE_HZ,
                    duration_s=LOOK_S,
                    highest_v=dict.fromkeys(("unit.current", "unit.current.high", "return.current"), NARROW_CURRENT_A),
                ),
                CaptureNeed(
                    name="loaded",
                    signals=SIGNALS,
                    sample_rate_hz=RATE_HZ,
                    duration_s=LOOK_S,
                    highest_v=highest | currents,
                ),
            ),
            highest_voltage_v=voltage_v,
            supply_current_a=load_a,
            current_limit_a=_limit_a(setup),
            loads=(("plug", _load(setup)),),
            load_current_a=load_a,
            paths=(SupplyPath.RUN.value,),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Look at the bench without and with the resistor, then have the unit plugged in, everything off."""
        rig.connect(SupplyPath.OPEN)
        rig.set_load("plug", "open")
        rig.set_supply(0.0, _limit_a(setup))
        rig.connect(SupplyPath.RUN)
        rig.set_output(True)
        rig.ramp_supply(_voltage_v(setup), rate_v_per_s=SUPPLY_RATE_V_PER_S)
        rig.wait(0.2)
        self._look(rig, "unloaded")
        # The resistor goes on cold and gets its current for a moment only: 140 W.
        rig.ramp_supply(0.0, rate_v_per_s=SUPPLY_RATE_V_PER_S)
        rig.set_load("plug", _load(setup))
        rig.wait(0.1)
        rig.ramp_supply(NARROW_CURRENT_A * _load_ohm(setup), rate_v_per_s=SUPPLY_RATE_V_PER_S)
        self._look(rig, NARROW)
        rig.ramp_supply(_voltage_v(setup), rate_v_per_s=SUPPLY_RATE_V_PER_S)
        self._look(rig, "loaded")
        rig.ramp_supply(0.0, rate_v_per_s=SUPPLY_RATE_V_PER_S)
        rig.wait(0.1)
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)
        rig.set_load("plug", "open")
        plug(rig)

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give one observation for each pair of readings that must agree."""
        off, narrow, on = (Record(evidence, name) for name in ("unloaded", NARROW, "loaded"))
        for record, checks in (
            (on, self._checks(off, on, setup)),
            (narrow, self._narrow_checks(off, narrow, setup)),
        ):
            unsteady = (*_unsteady(off), *_unsteady(record))
            for id_, title, statement, check, words in checks:
                known = check.agrees is not None
                yield bench_observation(
                    f"bench-leads.{id_}",
                    f"Bench: {title}",
                    statement,
                    wrong=(words,) if check.agrees is False else (),
                    tried=known,
                    captures=(*off.names, *record.names),
                    doubts=(*check.residue.doubts, *unsteady),
                    notes=(words,) if known else (),
                )

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def _look(self, rig: Rig, name: str) -> None:
        with rig.capture(name, SIGNALS, sample_rate_hz=RATE_HZ) as session:
            session.wait_until(LOOK_S)
            rig.read_supply()

    def _checks(self, off: Record, on: Record, setup: Setup) -> Iterable[tuple[str, str, str, Consistency, str]]:
        facts = setup.bench
        set_v = on.setting("set_voltage_v")
        setting = bounded(
            set_v, facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v, "supply setting"
        )
        unit_v, supply_v = on.mean("unit.voltage", SETTLE_S), on.mean("supply.voltage", SETTLE_S)
        forward_a, return_a = on.mean("unit.current.high", SETTLE_S), on.mean("return.current", SETTLE_S)
        flowing = f"{unit_v.value:.3f} V at the plug, {supply_v.value:.3f} V at the supply, {forward_a.value:.3f} A"

        # Below its setting at its own terminals it limits, whatever its sense lead does.
        short = checked("limit", combined(min(0.0, supply_v.value - set_v), ((supply_v, 1.0), (setting, -1.0))))
        yield (
            "current-limit",
            "supply holds its setting at 10 A",
            f"the supply delivers the current without limiting below {_limit_a(setup):.1f} A",
            short,
            f"{flowing} with {set_v:.2f} V and {_limit_a(setup):.1f} A set",
        )
        limits = Doubt(
            reason="the supply limits at this current, so its sense lead shows nothing",
            cause=Cause.BENCH,
            next_step="raise the supply's limit, or mend it, and run this step again",
        )
        regulated = short.agrees is not False
        sense = checked("sense", difference(unit_v, setting) if regulated else with_doubts(exact(math.nan), limits))
        yield (
            "sense",
            "remote sense at the unit plug",
            "the voltage at the plug is the one set",
            sense,
            (f"{flowing} with {set_v:.2f} V set"),
        )
        # From no current to 10 A, so that the zero errors of the three channels cancel.
        rose_v, plug_v = _moved(off, on, "supply.voltage"), _moved(off, on, "unit.voltage")
        drawn_a, expected = _moved(off, on, "unit.current.high"), expected_leads(facts)
        leads = lead_resistance(rose_v, plug_v, drawn_a)
        yield (
            "leads",
            "lead resistance, both legs",
            "the leads have the resistance they should have",
            leads_agree(rose_v, plug_v, drawn_a, expected),
            f"{1000.0 * leads.value:.1f} milliohm, expected {1000.0 * expected.value:.1f} milliohm",
        )
        yield (
            "legs",
            "current of both legs",
            "positive and negative leg carry the same current",
            legs_agree(forward_a, return_a),
            f"{forward_a.value:.3f} A forward, {return_a.value:.3f} A back",
        )
        load = facts.loads["plug"][_load(setup)]
        yield (
            "load",
            "current against the calibrated load",
            "the current is the voltage over the resistor",
            branch_check(forward_a, unit_v, load, "the plug"),
            f"{ratio(unit_v, forward_a).value:.4f} ohm, calibrated {load.resistance_ohm:.4f} ohm",
        )
        shown = self._supply_current(on, setup)
        yield (
            "read-back",
            "supply's own current reading",
            "supply and shunt show the same current",
            readback_agrees(shown, forward_a),
            f"supply {shown.value:.3f} A, shunt {forward_a.value:.3f} A",
        )

    def _narrow_checks(
        self, off: Record, narrow: Record, setup: Setup
    ) -> Iterable[tuple[str, str, str, Consistency, str]]:
        """Yield the checks of the narrow current channel; its zero and those of the wide ones are taken off."""
        small_a = _moved(off, narrow, "unit.current")
        load = setup.bench.loads["plug"][_load(setup)]
        plug_v = narrow.mean("unit.voltage", SETTLE_S)
        yield (
            "narrow-load",
            "narrow current channel against the calibrated load",
            "the current is the voltage over the resistor",
            branch_check(small_a, plug_v, load, "the plug"),
            f"{small_a.value:.4f} A at {plug_v.value:.3f} V across {load.resistance_ohm:.3f} ohm",
        )
        for id_, signal, leg in (
            ("forward", "unit.current.high", "positive"),
            ("return", "return.current", "negative"),
        ):
            wide_a = _moved(off, narrow, signal)
            yield (
                f"narrow-{id_}",
                f"narrow current channel against the wide one of the {leg} leg",
                "both channels show the same current",
                legs_agree(small_a, wide_a),
                f"{small_a.value:.4f} A on the narrow channel, {wide_a.value:.4f} A on {signal}",
            )

    def _supply_current(self, on: Record, setup: Setup) -> Estimate:
        readings = on.supply_readings()
        if not readings:
            return Estimate(value=math.nan, doubts=on.missing)
        return read_back_current(readings[-1], setup.bench)


def _moved(off: Record, on: Record, signal: str) -> Estimate:
    return difference(on.mean(signal, SETTLE_S), off.mean(signal, SETTLE_S))


def _unsteady(record: Record) -> tuple[Doubt, ...]:
    """Return the doubt that the bus still moved, so that nothing can be compared."""
    if record.capture is None or is_steady(record.samples("unit.voltage", SETTLE_S), record.capture.sample_rate_hz):
        return ()
    reason = f"{record.name}: the supply did not stand still"
    return (Doubt(reason=reason, cause=Cause.BENCH, next_step="run it again; then look at the supply's output"),)


def _voltage_v(setup: Setup) -> float:
    return round(_load_current_a(setup) * _load_ohm(setup), 3)


def _load(setup: Setup) -> str:
    return text(setup, "load", "1.4 ohm")


def _load_ohm(setup: Setup) -> float:
    return setup.bench.loads["plug"][_load(setup)].resistance_ohm


def _load_current_a(setup: Setup) -> float:
    return number(setup, "current_a", 10.0)


def _limit_a(setup: Setup) -> float:
    return number(setup, "current_limit_a", round(1.4 * _load_current_a(setup), 2))
