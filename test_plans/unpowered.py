"""What the unit draws before it is powered: 1 V through 20 ohm at 50 mA, and which way round it is wired.

The drop over the path resistor tells small currents well, but an open path drops the whole volt and looks like a
short: so the shunt must show the same current. A heavy draw is not called the unit's until the contactor was opened
and the draw went with it.
"""

import math
from collections.abc import Iterable

from analysis.measurement import Doubt, Observation, Result
from analysis.uncertainty import Estimate, bounded, difference, ratio
from analysis.verdict import Cause
from test_plans.conditions import conforming_a, number
from test_plans.expected import reading, typical
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record, agreement, doubted
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import function_named

RATE_HZ = 1000.0
ZERO_S = 0.3
LOOK_S = 0.3
SIGNALS = ("supply.voltage", "unit.voltage")
LIMIT = "unpowered-current"
SUSPECT_FACTOR = 2.0  # this much over the limit it looks shorted
STOPPED_FRACTION = 0.1


class Unpowered:
    """Unpowered signature and polarity."""

    name = "unpowered"
    title = "Unpowered current and polarity at 1 V"
    conditions = ("voltage_v", "current_limit_a", "settle_s")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function."""
        return (function_named(setup.unit, "power"),)

    def needs(self, setup: Setup) -> Needs:
        """Return its captures and the 20 ohm path."""
        voltage_v = number(setup, "voltage_v", 1.0)
        return Needs(
            bench_time_s=3.0,
            captures=(
                CaptureNeed(name="zero", signals=SIGNALS, sample_rate_hz=RATE_HZ, duration_s=ZERO_S),
                CaptureNeed(
                    name="signature",
                    signals=SIGNALS,
                    sample_rate_hz=RATE_HZ,
                    duration_s=LOOK_S,
                    highest_v=dict.fromkeys(SIGNALS, voltage_v),
                ),
            ),
            highest_voltage_v=voltage_v,
            supply_current_a=conforming_a(setup, "unpowered"),
            current_limit_a=_limit_a(setup),
            paths=(SupplyPath.THROUGH_20_OHM.value, SupplyPath.OPEN.value),
            limits=((LIMIT, _expected(setup, voltage_v)),),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Take the zeros at 0 V, then 1 V for half a second and look."""
        rig.idle_inputs()
        rig.arm(False)
        rig.set_supply(0.0, _limit_a(setup))
        rig.connect(SupplyPath.THROUGH_20_OHM)
        rig.set_output(True)
        rig.wait(0.2)
        with rig.capture("zero", SIGNALS, sample_rate_hz=RATE_HZ) as session:
            session.wait_until(ZERO_S)
        rig.set_supply(number(setup, "voltage_v", 1.0), _limit_a(setup))
        rig.wait(number(setup, "settle_s", 0.5))
        with rig.capture("signature", SIGNALS, sample_rate_hz=RATE_HZ) as session:
            session.wait_until(LOOK_S)
            rig.read_supply()
        rig.set_supply(0.0, _limit_a(setup))
        rig.wait(0.2)
        rig.set_output(False)
        rig.connect(SupplyPath.OPEN)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Isolate a unit that looks shorted: the same again with the contactor open."""
        if evidence.has("isolation") or not self._looks_shorted(evidence, setup):
            return False
        rig.connect(SupplyPath.OPEN)
        rig.set_supply(number(setup, "voltage_v", 1.0), _limit_a(setup))
        rig.set_output(True)
        rig.wait(0.3)
        with rig.capture("isolation", SIGNALS, sample_rate_hz=RATE_HZ) as session:
            session.wait_until(LOOK_S)
            rig.read_supply()
        rig.set_output(False)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the current and the polarity; a suspected short with the proof whose it is."""
        current = self._current(evidence, setup)
        path = self._path_doubts(evidence, setup)
        suspicion = self._isolation_doubts(evidence, setup) if self._looks_shorted(evidence, setup) else ()
        yield doubted(current, *path, *suspicion).measurement(
            id="unpowered.current",
            limit=LIMIT,
            title="Power input: current at 1 V, unpowered",
            function=function_named(setup.unit, "power"),
            quantity_unit="A",
            pins=(setup.unit.power_pin,),
            notes=self._isolation_notes(evidence, setup),
        )
        yield self._polarity(evidence, setup, path, shorted=self._looks_shorted(evidence, setup))

    def _current(self, evidence: Evidence, setup: Setup) -> Estimate:
        """Return the drop over the path resistor by its resistance; zeros taken at 0 V cancel."""
        zero, look = Record(evidence, "zero"), Record(evidence, "signature")
        offset = difference(zero.mean("supply.voltage"), zero.mean("unit.voltage"))
        drop = difference(look.mean("supply.voltage"), look.mean("unit.voltage"))
        return ratio(difference(drop, offset), _path(setup))

    def _path_doubts(self, evidence: Evidence, setup: Setup) -> tuple[Doubt, ...]:
        """Return the doubt that what drops over the path is no current: the shunt ahead of it shows another one."""
        zero, look = Record(evidence, "zero"), Record(evidence, "signature")
        dropped = self._current(evidence, setup)
        shown = difference(look.mean("unit.current"), zero.mean("unit.current"))
        if shown.doubts or not math.isfinite(dropped.value):
            return shown.doubts
        if agreement(difference(dropped, shown)):
            return ()
        path_ohm = _path(setup).value
        return (
            Doubt(
                reason=f"{look.name}: the drop over the path says {1000.0 * dropped.value:.2f} mA if it has "
                f"{path_ohm:g} ohm, the shunt shows {1000.0 * shown.value:.2f} mA: the path is open or has another "
                "resistance, or the contactor let go",
                cause=Cause.BENCH,
                next_step=f"check relay and resistor of the {path_ohm:g} ohm path, the contactor and the shunt",
            ),
        )

    def _looks_shorted(self, evidence: Evidence, setup: Setup) -> bool:
        current = self._current(evidence, setup)
        allowed_a = setup.unit.limits[LIMIT].high
        if self._path_doubts(evidence, setup):
            return False  # not a current at all: nothing to isolate
        return math.isfinite(current.value) and current.value > SUSPECT_FACTOR * allowed_a

    def _isolation_doubts(self, evidence: Evidence, setup: Setup) -> tuple[Doubt, ...]:
        if not evidence.has("isolation"):
            return (
                Doubt(
                    reason="the supply sees a short at 1 V; it was not isolated",
                    cause=Cause.UNDECIDED,
                    next_step="open the contactor and see whether the supply recovers",
                ),
            )
        if self._recovers(evidence, setup):
            return ()
        return (
            Doubt(
                reason="with the contactor open the supply still sees the short",
                cause=Cause.BENCH,
                next_step="check the leads between supply and contactor",
            ),
        )

    def _recovers(self, evidence: Evidence, setup: Setup) -> bool:
        """Say whether with the contactor open the supply delivers nothing and stands at its setting."""
        record = Record(evidence, "isolation")
        facts = setup.bench
        set_v = record.setting("set_voltage_v")
        bound_v = facts.supply_set_relative_bound * abs(set_v) + facts.supply_set_absolute_bound_v
        residue = difference(record.mean("supply.voltage"), bounded(set_v, bound_v, "supply setting"))
        drawn = record.mean("unit.current")
        suspect_a = self._current(evidence, setup).value
        # The path resistor takes the whole volt of a short, so the supply's terminals hardly show it: the current must.
        stopped = drawn.value - 3.0 * drawn.standard_uncertainty < STOPPED_FRACTION * suspect_a
        return stopped and abs(residue.value) <= 3.0 * residue.standard_uncertainty

    def _isolation_notes(self, evidence: Evidence, setup: Setup) -> tuple[str, ...]:
        isolated = evidence.has("isolation") and self._looks_shorted(evidence, setup)
        if isolated and self._recovers(evidence, setup):
            return ("with the contactor open the current stops: it is the unit that draws it",)
        return ()

    def _polarity(self, evidence: Evidence, setup: Setup, path: tuple[Doubt, ...], *, shorted: bool) -> Result:
        record = Record(evidence, "signature")
        voltage = record.mean("unit.voltage")
        doubts = [*voltage.doubts, *path]
        if shorted:
            doubts.append(
                Doubt(
                    reason="a shorted input shows no polarity",
                    cause=Cause.UNDECIDED,
                    next_step="mend the short, then run again",
                )
            )
        return Observation(
            id="unpowered.polarity",
            title="Power input: polarity",
            function=function_named(setup.unit, "power"),
            statement="the power pin is positive against power ground",
            trials=0 if record.missing else 1,
            failures=0 if record.missing or voltage.value > 3.0 * voltage.standard_uncertainty else 1,
            detail=f"{voltage.value:.3f} V at the pins",
            cause_if_failed=Cause.UNDECIDED,
            next_step="measure the polarity at the bench's plug with a meter, the unit unplugged",
            doubts=tuple(dict.fromkeys(doubts)),
            captures=record.names,
            pins=(setup.unit.power_pin, setup.unit.power_ground_pin),
        )


def _limit_a(setup: Setup) -> float:
    return number(setup, "current_limit_a", 0.05)


def _path(setup: Setup) -> Estimate:
    path = SupplyPath.THROUGH_20_OHM.value
    ohm = setup.bench.path_resistance_ohm[path]
    return bounded(ohm, setup.bench.path_resistance_bound[path] * ohm, "path resistor")


def _expected(setup: Setup, voltage_v: float) -> float:
    """Return the uncertainty of a current as a good unit has it, taken as `_current` takes it."""
    if SupplyPath.THROUGH_20_OHM.value not in setup.bench.path_resistance_ohm:
        return 0.0  # said already: the bench has no such path
    resistor = _path(setup)
    pins_v = voltage_v - typical(setup, LIMIT) * resistor.value
    drop = difference(reading(setup, "supply.voltage", voltage_v), reading(setup, "unit.voltage", pins_v))
    offset = difference(reading(setup, "supply.voltage", 0.0), reading(setup, "unit.voltage", 0.0))
    return ratio(difference(drop, offset), resistor).standard_uncertainty
