"""Power cycles and deep dips of the bus while the unit reports: is its configuration the same after each of them?

Configuration is lost where a write meets a falling bus. So dips come at other places of the report period each time and
go to other voltages, about the reset and below; every third time the unit is without power for a while. Every value
that it reports is compared, not one sum over all.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from analysis.measurement import Doubt, Result
from analysis.verdict import Cause
from test_plans.conditions import conforming_a, count, number
from test_plans.driving import READY_WAIT_S, bring_up, ready_within_s
from test_plans.power_up import CONDITION, configuration
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.profile_shot import EMPTIES_S
from test_plans.readings import FILTER_S, Record
from test_plans.receive_line import foreign_bursts_s
from test_plans.reported_settings import setting_observations, settings_of
from test_plans.reset_counts import asked_for, counted_over
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import function_named
from test_plans.switch_lines import watched_lines
from test_plans.trials import Trial, tried
from test_plans.trim_bench import RUN_PATH

RATE_HZ = 1000.0
SIGNALS = ("unit.voltage",)
BEFORE = "before"
CYCLES = 12
LOW_V, HIGH_V = 3.0, 7.0
OFF_EVERY = 3  # so many cycles, the unit is without power
LIMIT_A = 3.0
LEAD_S = 0.1
STANDS_S = 0.15
MORE_S = 0.3  # beyond the ready time and the report period
APART_S = 0.2  # of bench time, between captures
TURN = 0.618  # of the report period, from cycle to cycle: no two dips meet the same place of it
OFF_V = 0.15  # that a dip may be off
DEAD_V = 1.0
CONFIGURATION = "configuration"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One dip, or one time without power (0 V)."""

    number: int
    dips_to_v: float
    at_s: float

    @property
    def name(self) -> str:
        """The name of its capture."""
        return f"cycle-{self.number}"

    @property
    def words(self) -> str:
        """What it was."""
        return f"cycle {self.number}, {f'dip to {self.dips_to_v:.2g} V' if self.dips_to_v else 'without power'}"


class PowerCycles:
    """Configuration, value by value, after each of many power cycles and dips."""

    name = "power-cycles"
    title = "Power cycles and dips: configuration before and after"
    conditions = ("trials", "low_voltage_v", "high_voltage_v", "current_limit_a")
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do: it reports nothing of its configuration."""
        if _items(setup):
            return None
        reason = f"model {setup.unit.model} reports nothing of its configuration"
        return NotForModel(reason=reason, untested="Whether its configuration outlives power cycles")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function."""
        return (function_named(setup.unit, "power"),)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture ahead, and one for each cycle."""
        nominal_v = setup.unit.nominal_voltage_v
        durations = ((BEFORE, _report_wait_s(setup)), *((one.name, _duration_s(setup, one)) for one in _cycles(setup)))
        captures = tuple(
            CaptureNeed(
                name=name,
                signals=SIGNALS,
                lines=watched_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=duration_s,
                highest_v={"unit.voltage": nominal_v},
            )
            for name, duration_s in durations
        )
        return Needs(
            bench_time_s=sum(need.duration_s + APART_S for need in captures) + READY_WAIT_S,
            captures=captures,
            highest_voltage_v=nominal_v,
            supply_current_a=conforming_a(setup, CONDITION),
            current_limit_a=_limit_a(setup),
            paths=(*RUN_PATH, SupplyPath.OPEN.value),
            bus=True,
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """See the configuration, then cycle, seeing it each time."""
        lines = watched_lines(setup.unit)
        bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=_limit_a(setup))
        with rig.capture(BEFORE, SIGNALS, sample_rate_hz=RATE_HZ, lines=lines) as session:
            session.wait_until(_report_wait_s(setup))
        for cycle in _cycles(setup):
            with rig.capture(cycle.name, SIGNALS, sample_rate_hz=RATE_HZ, lines=lines) as session:
                session.wait_until(cycle.at_s)
                _dip(rig, setup, cycle)
                session.wait_until(session.now_s + _rises_s(setup) + _report_wait_s(setup))

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give that it came back each time, that each value stayed, and all values as left."""
        before = Record(evidence, BEFORE)
        seen = [_Seen.of(Record(evidence, cycle.name), cycle, setup) for cycle in _cycles(setup)]
        function, pins = function_named(setup.unit, "power"), (setup.unit.power_pin,)
        yield tried(
            [one.came_back(reported=bool(before.reports())) for one in seen],
            id_="power-cycles.comes-back",
            title="Power cycles and dips: the unit comes back",
            function=function,
            statement="it reports again after each",
            pins=pins,
            notes=tuple(one.achieved for one in seen if one.achieved),
        )
        for item in _items(setup):
            yield tried(
                [one.kept(item, before) for one in seen],
                id_=f"power-cycles.{item}.kept",
                title=f"Power cycles and dips: {item} stays as it was",
                function=function,
                statement="the unit reports the same value after each as before the first",
                pins=pins,
                notes=_first(item, before),
            )
        last = seen[-1].record if seen else before
        if CONFIGURATION in setup.unit.bus.reports:
            title = "Configuration as the aircraft needs it, after power cycles"
            yield configuration(last, setup, "power-cycles.configuration", title, "as left")
        yield from setting_observations(last, setup, self.name, "after power cycles")
        yield from asked_for(self.name, counted_over(evidence), setup)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """One cycle as its capture shows it; `back_s`: when the bus was back where the unit works."""

    record: Record
    cycle: Cycle
    back_s: float
    lowest_v: float
    doubts: tuple[Doubt, ...]

    @classmethod
    def of(cls, record: Record, cycle: Cycle, setup: Setup) -> "_Seen":
        bus = record.smoothed("unit.voltage")
        if record.capture is None or not bus.size:
            return cls(record=record, cycle=cycle, back_s=0.0, lowest_v=0.0, doubts=record.missing)
        turned, lowest_v = int(bus.argmin()), float(bus.min())
        works_v = setup.unit.lowest_voltage_v
        back = (bus[turned:] >= works_v).nonzero()[0]
        back_s = (turned + int(back[0])) * FILTER_S if back.size else record.duration_s
        found = list(record.doubts(SIGNALS))
        most_v = cycle.dips_to_v + OFF_V if cycle.dips_to_v else DEAD_V
        if not cycle.dips_to_v - OFF_V <= lowest_v <= most_v:
            reason = f"{record.name}: the bus fell to {lowest_v:.2f} V, {cycle.dips_to_v:.2f} V was asked for"
            found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step="see what holds the supply up, or cuts it"))
        if not back.size or bus[turned + int(back[0]) :].min() < works_v:
            reason = f"{record.name}: the bus did not stand at {works_v:g} V and more afterwards"
            found.append(
                Doubt(reason=reason, cause=Cause.BENCH, next_step="see what holds the supply, and the contactor")
            )
        return cls(record=record, cycle=cycle, back_s=back_s, lowest_v=lowest_v, doubts=tuple(found))

    @property
    def achieved(self) -> str:
        """How low the bus was at the pins beside what was asked, in words."""
        if self.record.capture is None:
            return ""
        return f"{self.cycle.words}: {self.lowest_v:.2f} V at the pins"

    def came_back(self, *, reported: bool) -> Trial:
        """Return whether a report came; silence is the unit's only where the line is silent and it reported before."""
        wrong, doubts = "", self.doubts
        if not doubts and not self._heard():
            bursts = None if self.record.capture is None else foreign_bursts_s(self.record.capture)
            if bursts is not None and not (bursts >= self.back_s).any() and reported:
                wrong = f"{self.cycle.words}: no report since, and none of its frames on the receive line"
            else:
                doubts = (self._silent(Cause.UNDECIDED if bursts is None or not reported else Cause.BENCH),)
        return Trial(wrong=wrong, doubts=doubts, captures=self.record.names)

    def kept(self, item: str, before: Record) -> Trial:
        """Return whether a value is what it was before the first cycle."""
        was = before.count(item, last=True)
        values = [int(event.fields["count"]) for event in self.record.reports(item) if event.time_s > self.back_s]
        if self.doubts or was is None or not values:
            doubts = self.doubts or before.missing or (self._silent(Cause.UNDECIDED, item),)
            return Trial(doubts=doubts, captures=self.record.names)
        other = next((value for value in values if value != was), None)
        if other is None:
            return Trial(captures=self.record.names)
        said = f"{self.cycle.words}: {other} where {was} was reported before"
        return Trial(wrong=said, captures=self.record.names)

    def _heard(self) -> bool:
        return any(event.time_s > self.back_s for event in self.record.reports())

    def _silent(self, cause: Cause, what: str = "report") -> Doubt:
        step = "check the bus interface" if cause is Cause.BENCH else "check that reports come at all (ready time)"
        return Doubt(reason=f"{self.record.name}: no {what} came once the bus was back", cause=cause, next_step=step)


def _dip(rig: Rig, setup: Setup, cycle: Cycle) -> None:
    """Have the bus low for a moment, or the unit without power for a while; the bus is on its way up afterwards."""
    rig.set_supply(cycle.dips_to_v, _limit_a(setup))
    rig.wait(_falls_s(setup) + STANDS_S)
    if not cycle.dips_to_v:
        rig.connect(SupplyPath.OPEN)
        rig.wait(EMPTIES_S)
        rig.connect(SupplyPath.RUN)
    rig.set_supply(setup.unit.nominal_voltage_v, _limit_a(setup))


def _items(setup: Setup) -> tuple[str, ...]:
    """Return what the unit reports of its configuration."""
    reports = setup.unit.bus.reports
    return (*((CONFIGURATION,) if CONFIGURATION in reports else ()), *settings_of(setup.unit))


def _cycles(setup: Setup) -> tuple[Cycle, ...]:
    """Return the cycles: dips spread evenly over the voltages, and every third one without power."""
    low_v, high_v = number(setup, "low_voltage_v", LOW_V), number(setup, "high_voltage_v", HIGH_V)
    n = count(setup, "trials", CYCLES)
    dips = n - n // OFF_EVERY
    volts: Iterator[float] = (high_v - (high_v - low_v) * place / max(1, dips - 1) for place in range(dips))
    return tuple(
        Cycle(
            number=place,
            dips_to_v=0.0 if place % OFF_EVERY == 0 else next(volts),
            at_s=LEAD_S + (place * TURN) % 1.0 * setup.unit.bus.report_period_s,
        )
        for place in range(1, n + 1)
    )


def _first(item: str, before: Record) -> tuple[str, ...]:
    was = before.count(item, last=True)
    return () if was is None else (f"{item} before the first cycle: {was}",)


def _duration_s(setup: Setup, cycle: Cycle) -> float:
    off_s = 0.0 if cycle.dips_to_v else EMPTIES_S
    return cycle.at_s + _falls_s(setup) + STANDS_S + off_s + _rises_s(setup) + _report_wait_s(setup)


def _falls_s(setup: Setup) -> float:
    return setup.unit.nominal_voltage_v / setup.bench.supply.slew_down_v_per_s


def _rises_s(setup: Setup) -> float:
    return setup.unit.nominal_voltage_v / setup.bench.supply.slew_up_v_per_s


def _report_wait_s(setup: Setup) -> float:
    """Return how long every report needs to come, of a unit that starts or one that kept running."""
    return max(ready_within_s(setup), setup.unit.bus.report_period_s) + MORE_S


def _limit_a(setup: Setup) -> float:
    return number(setup, "current_limit_a", LIMIT_A)
