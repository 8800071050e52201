"""Leads, sense and current readings at 10 A into a resistor at the unit plug, then the unit is plugged in.

Four ways to know one current and three to know one voltage: where two disagree, the bench is at fault.
"""

import math
from collections.abc import Iterable

from analysis.measurement import Result
from analysis.uncertainty import Estimate, bounded, combined, difference, ratio
from test_plans.conditions import number, text
from test_plans.driving import plug
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record, agreement, bench_observation
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup

RATE_HZ = 2000.0
LOOK_S = 0.30
SETTLE_S = 0.05
SIGNALS = ("supply.voltage", "unit.voltage", "unit.current.high", "return.current")
LEAD_TOLERANCE = 0.25  # of the expected resistance: a tired contact adds more
SUPPLY_RATE_V_PER_S = 100.0


class BenchLeads:
    """Lead resistance, remote sense, current limit and current readings into a known resistor."""

    name = "bench-leads"
    title = "Leads, sense and current readings at 10 A"

    def functions(self, setup: Setup) -> tuple[str, ...]:  # noqa: ARG002
        """Return none: it touches the bench alone."""
        return ()

    def needs(self, setup: Setup) -> Needs:
        """Return its two short captures, the resistor and the current through it."""
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
        off, on = Record(evidence, "unloaded"), Record(evidence, "loaded")
        for id_, title, statement, residue, words in self._checks(off, on, setup):
            known = not residue.doubts and math.isfinite(residue.value)
            yield bench_observation(
                f"bench-leads.{id_}",
                f"Bench: {title}",
                statement,
                wrong=() if not known or agreement(residue) else (words,),
                tried=known,
                captures=(*off.names, *on.names),
                doubts=residue.doubts,
                notes=(words,) if known else (),
            )

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def _look(self, rig: Rig, name: str) -> None:
        with rig.capture(name, SIGNALS, sample_rate_hz=RATE_HZ) as session:
            session.wait_until(LOOK_S)
            rig.read_supply()

    def _checks(self, off: Record, on: Record, setup: Setup) -> Iterable[tuple[str, str, str, Estimate, str]]:
        facts = setup.bench
        set_v = on.setting("set_voltage_v")
        setting = bounded(
            set_v, facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v, "supply setting"
        )
        unit_v, supply_v = on.mean("unit.voltage", SETTLE_S), on.mean("supply.voltage", SETTLE_S)
        forward_a, return_a = on.mean("unit.current.high", SETTLE_S), on.mean("return.current", SETTLE_S)
        flowing = f"{unit_v.value:.3f} V at the plug, {supply_v.value:.3f} V at the supply, {forward_a.value:.3f} A"

        # Below its setting at its own terminals it limits, whatever its sense lead does.
        short = combined(min(0.0, supply_v.value - set_v), ((supply_v, 1.0), (setting, -1.0)))
        yield (
            "current-limit",
            "supply holds its setting at 10 A",
            f"the supply delivers the current without limiting below {_limit_a(setup):.1f} A",
            short,
            f"{flowing} with {set_v:.2f} V and {_limit_a(setup):.1f} A set",
        )
        sense = difference(unit_v, setting)
        if not agreement(short):
            sense = Estimate(value=math.nan, doubts=sense.doubts, captures=sense.captures)
        yield (
            "sense",
            "remote sense at the unit plug",
            "the voltage at the plug is the one set",
            sense,
            (f"{flowing} with {set_v:.2f} V set"),
        )
        leads = self._lead_resistance(off, on)
        expected_ohm = facts.lead_positive_ohm + facts.lead_negative_ohm + facts.path_resistance_ohm.get("run", 0.0)
        expected = bounded(expected_ohm, LEAD_TOLERANCE * expected_ohm, "expected lead resistance")
        yield (
            "leads",
            "lead resistance, both legs",
            "the leads have the resistance they should have",
            difference(leads, expected),
            f"{1000.0 * leads.value:.1f} milliohm, expected {1000.0 * expected_ohm:.1f} milliohm",
        )
        yield (
            "legs",
            "current of both legs",
            "positive and negative leg carry the same current",
            difference(forward_a, return_a),
            f"{forward_a.value:.3f} A forward, {return_a.value:.3f} A back",
        )
        load = facts.loads["plug"][_load(setup)]
        known_ohm = load.resistance_ohm
        resistor = bounded(known_ohm, load.relative_bound * known_ohm, "calibrated load")
        found = ratio(unit_v, forward_a)
        yield (
            "load",
            "current against the calibrated load",
            "voltage over current is the resistor",
            difference(found, resistor),
            f"{found.value:.4f} ohm, calibrated {known_ohm:.4f} ohm",
        )
        shown = self._supply_current(on, setup)
        yield (
            "read-back",
            "supply's own current reading",
            "supply and shunt show the same current",
            difference(shown, forward_a),
            f"supply {shown.value:.3f} A, shunt {forward_a.value:.3f} A",
        )

    def _lead_resistance(self, off: Record, on: Record) -> Estimate:
        """Return d(V supply - V unit) / dI: zero errors of the three channels cancel."""
        drop_on = difference(on.mean("supply.voltage", SETTLE_S), on.mean("unit.voltage", SETTLE_S))
        drop_off = difference(off.mean("supply.voltage", SETTLE_S), off.mean("unit.voltage", SETTLE_S))
        current = difference(on.mean("unit.current.high", SETTLE_S), off.mean("unit.current.high", SETTLE_S))
        return ratio(difference(drop_on, drop_off), current)

    def _supply_current(self, on: Record, setup: Setup) -> Estimate:
        readings = on.supply_readings()
        if not readings:
            return Estimate(value=math.nan, doubts=on.missing)
        shown_a = float(readings[-1].fields["current_a"])
        facts = setup.bench
        bound_a = facts.supply_current_relative_bound * abs(shown_a) + facts.supply_current_absolute_bound_a
        return bounded(shown_a, bound_a, "supply read-back")


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
