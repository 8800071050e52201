"""A scan of rates at which the bus falls below reset and rises again, for one at which the unit does not come back.

Logic can hang in a narrow band of dV/dt that no single ramp meets. After a hang the unit is without power for a while,
and the scan goes on behind the rate that hung it.
"""

from collections.abc import Iterable
from dataclasses import replace

from analysis.measurement import Result
from test_plans.bus_ramp import RESET_LIMIT, light_up, monitored_output, rheostat_of
from test_plans.bus_slope import Slope, beyond_reach, play_slope, rates_of
from test_plans.conditions import required_limit
from test_plans.driving import READY_WAIT_S, bring_up, ready_within_s
from test_plans.hold_up import CURRENT, LIMIT_A, hold_up_needs, light_load, limit_a, put_load
from test_plans.hold_up_drop_out import RESTART
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.profile_shot import EMPTIES_S, hold_up_of
from test_plans.ramp_scan_readings import ScanRun, read_runs, shows_life
from test_plans.readings import Record
from test_plans.reset_counts import asked_for
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import function_named, voltage_signal
from test_plans.switch_lines import watched_lines
from test_plans.trials import Trial, tried
from test_plans.trim_bench import RUN_PATH

RATE_HZ = 2000.0
FIRST_V_PER_S, LAST_V_PER_S, RATES = 0.4, 40.0, 9
BELOW_V = 0.3  # of the lowest reset allowed
ABOVE_V = 0.4  # of the highest restart of the hold-up output allowed
STANDS_S = 0.3
BETWEEN_V_PER_S = 50.0  # from the nominal voltage to the scan and back
BEFORE_S = 0.3
READY_MORE_S = 0.3
APART_S = 0.2  # of bench time, between captures
RECOVERED = "recovered"


class RampScan:
    """Whether the unit comes back from ramps of any rate, itself and its hold-up output once each."""

    name = "ramp-scan"
    title = "Scan of ramp rates of the bus"
    conditions = ("first_rate_v_per_s", "last_rate_v_per_s", "rates", "current_limit_a")
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do: where it resets is not said, or nothing shows that it lives."""
        untested = "Whether it comes back from a slow or fast ramp of the bus"
        if RESET_LIMIT not in setup.unit.limits:
            return NotForModel(
                reason=f"the sheet of model {setup.unit.model} gives no {RESET_LIMIT}", untested=untested
            )
        if monitored_output(setup) is None and not setup.unit.bus.reports:
            return NotForModel(reason=f"nothing of model {setup.unit.model} shows that it lives", untested=untested)
        return None

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the power input's function and the hold-up output's."""
        output = hold_up_of(setup)
        return tuple(dict.fromkeys((function_named(setup.unit, "power"), *((output.function,) if output else ()))))

    def needs(self, setup: Setup) -> Needs:
        """Return a capture for each rate that the supply follows."""
        can, _ = _rates(setup)
        rheostat, nominal_v = rheostat_of(setup, monitored_output(setup)), setup.unit.nominal_voltage_v
        captures = tuple(
            CaptureNeed(
                name=_name(rate),
                signals=_signals(setup),
                lines=watched_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=_duration_s(setup, rate),
                highest_v={"unit.voltage": nominal_v},
            )
            for rate in can
        )
        plain = Needs(
            bench_time_s=0.0, captures=captures, highest_voltage_v=nominal_v, current_limit_a=_limit_a(setup), bus=True
        )
        held = hold_up_of(setup) is not None
        return replace(
            hold_up_needs(setup, captures, limits=(), highest_v=nominal_v, light=True) if held else plain,
            bench_time_s=sum(need.duration_s + APART_S for need in captures) + READY_WAIT_S,
            loads=(),
            load_current_a=0.0,
            stimuli=() if rheostat is None else (rheostat.name,),
            paths=(*RUN_PATH, SupplyPath.OPEN.value),
            untested=_untested(setup),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Take every rate, the slowest first: what has to be taken again after a hang then is soon done."""
        _make_ready(rig, setup)
        for rate in _rates(setup)[0]:
            _shoot(rig, setup, rate, cycle=0)
        _leave(rig, setup)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """After a hang have the unit without power, see whether it is back, and take the rates behind that one."""
        cycle = _cycles(evidence) + 1
        hung = [run for run in _runs(evidence, setup) if run.hung and not evidence.has(_recovered(run))]
        if not hung:
            return False
        rates = _rates(setup)[0]
        behind = rates[rates.index(hung[0].slope.rate_v_per_s) + 1 :]
        _cycle(rig, setup)
        with rig.capture(
            _recovered(hung[0]), _signals(setup), sample_rate_hz=RATE_HZ, lines=watched_lines(setup.unit)
        ) as session:
            session.wait_until(_before_s(setup))
        for rate in behind:
            _shoot(rig, setup, rate, cycle=cycle)
        if behind:
            _cycle(rig, setup)
        _leave(rig, setup)
        return True

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give whether it hung at any rate, and that it and its hold-up output went and came once each."""
        runs = _runs(evidence, setup)
        yield tried(
            [_came_back(run, evidence, setup) for run in runs],
            id_="ramp-scan.no-hang",
            title="Scan of ramp rates: comes back from each",
            function=function_named(setup.unit, "power"),
            statement="pulses or reports show life once the bus is back, without a power cycle",
            pins=(setup.unit.power_pin,),
            notes=(*(_rate_words(run) for run in runs), *_untested(setup)),
        )
        lived = [run for run in runs if not run.hung]
        yield tried(
            [_logic_once(run) for run in lived],
            id_="ramp-scan.logic-once",
            title="Scan of ramp rates: logic goes and comes once",
            function=function_named(setup.unit, "power"),
            statement="each fall and rise takes the logic off once and on once",
            pins=(setup.unit.power_pin,),
        )
        output = hold_up_of(setup)
        if output is not None:
            yield tried(
                [_hold_up_once(run) for run in runs],
                id_=f"ramp-scan.{output.name}-once",
                title=f"Scan of ramp rates: {output.title} goes and comes once",
                function=output.function,
                statement="each fall and rise takes the output off and on at most once",
                pins=(output.plus_pin, setup.unit.power_pin),
            )
        yield from asked_for(self.name, sum(run.resets or 0 for run in runs), setup)


def _untested(setup: Setup) -> tuple[str, ...]:
    """Return in sentences what a scan leaves open: rates out of reach, and what lies between two."""
    can, beyond = _rates(setup)
    if len(can) < 2:
        return beyond_reach(setup, beyond)
    factor = (can[-1] / can[0]) ** (1.0 / (len(can) - 1))
    said = f"Ramps of the bus between two rates of the scan, which lie a factor of {factor:.2g} apart"
    return (*beyond_reach(setup, beyond), said)


def _shoot(rig: Rig, setup: Setup, rate: float, *, cycle: int) -> None:
    """Fall and rise once, from the nominal voltage and back to it; `cycle` counts the power cycles before."""
    slope, back = _slope(setup, rate), _between_v_per_s(setup)
    with rig.capture(
        _name(rate, cycle), _signals(setup), sample_rate_hz=RATE_HZ, lines=watched_lines(setup.unit)
    ) as session:
        session.wait_until(_before_s(setup))
        rig.ramp_supply(slope.from_v, rate_v_per_s=back)
        play_slope(rig, session, setup, slope, limit_a=_limit_a(setup))
        rig.ramp_supply(setup.unit.nominal_voltage_v, rate_v_per_s=back)
        session.wait_until(session.now_s + _ready_s(setup))


def _make_ready(rig: Rig, setup: Setup) -> None:
    bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=_limit_a(setup))
    light_up(rig, setup)
    if hold_up_of(setup) is not None:
        put_load(rig, setup, light_load(setup))
    rig.wait(STANDS_S)


def _cycle(rig: Rig, setup: Setup) -> None:
    """Have the unit without power for a while."""
    rig.set_output(False)
    rig.connect(SupplyPath.OPEN)
    rig.wait(EMPTIES_S)
    _make_ready(rig, setup)


def _leave(rig: Rig, setup: Setup) -> None:
    rig.idle_inputs()
    if hold_up_of(setup) is not None:
        put_load(rig, setup, "open")


def _runs(evidence: Evidence, setup: Setup) -> tuple[ScanRun, ...]:
    """Return the last run of every rate, in the order taken; one that was never taken has no capture."""
    cycles = range(_cycles(evidence), -1, -1)
    names = (
        next((_name(rate, cycle) for cycle in cycles if evidence.has(_name(rate, cycle))), _name(rate))
        for rate in _rates(setup)[0]
    )
    shots = [(Record(evidence, name), _slope(setup, rate)) for name, rate in zip(names, _rates(setup)[0], strict=True)]
    return read_runs(shots, setup, before_s=_before_s(setup))


def _came_back(run: ScanRun, evidence: Evidence, setup: Setup) -> Trial:
    said = ""
    if run.hung:
        said = f"hangs at {run.slope.rate_v_per_s:g} V/s ({run.rates.words})"
        if evidence.has(_recovered(run)):
            record = Record(evidence, _recovered(run))
            back = shows_life(record, setup, 0.0, record.duration_s)
            said += ", back after a power cycle" if back else ", and shows no life after a power cycle either"
    return Trial(wrong=said, doubts=run.doubts, captures=run.record.names)


def _logic_once(run: ScanRun) -> Trial:
    said = []
    if run.silences not in {None, 1}:
        said.append(f"its pulses ceased {run.silences} times")
    if run.resets not in {None, 1}:
        said.append(f"its reset count went up by {run.resets}")
    wrong = f"{run.slope.rate_v_per_s:g} V/s: {' and '.join(said)}" if said else ""
    return Trial(wrong=wrong, doubts=run.doubts, captures=run.record.names)


def _hold_up_once(run: ScanRun) -> Trial:
    wrong = "" if run.changes in {0, 2} else f"{run.slope.rate_v_per_s:g} V/s: it went or came {run.changes} times"
    return Trial(wrong=wrong, doubts=run.doubts, captures=run.record.names)


def _rate_words(run: ScanRun) -> str:
    return f"asked {run.slope.rate_v_per_s:g} V/s: {run.rates.words} at the pins"


def _slope(setup: Setup, rate: float) -> Slope:
    """Return a fall past the reset, and a rise past the restart of the hold-up output, where there is one."""
    limits = setup.unit.limits
    restart = limits.get(RESTART) if hold_up_of(setup) is not None else None
    high_v = setup.unit.lowest_voltage_v if restart is None else restart.high + ABOVE_V
    return Slope(
        from_v=high_v,
        low_v=required_limit(setup, RESET_LIMIT).low - BELOW_V,
        to_v=high_v,
        rate_v_per_s=rate,
        stands_s=STANDS_S,
    )


def _duration_s(setup: Setup, rate: float) -> float:
    slope = _slope(setup, rate)
    between_s = 2.0 * (setup.unit.nominal_voltage_v - slope.from_v) / _between_v_per_s(setup)
    return _before_s(setup) + between_s + slope.duration_s + _ready_s(setup)


def _before_s(setup: Setup) -> float:
    """Return how long the bus stands ahead of a fall: where there are no pulses, a report must come in it."""
    return BEFORE_S if monitored_output(setup) is not None else setup.unit.bus.report_period_s + BEFORE_S


def _ready_s(setup: Setup) -> float:
    return max(ready_within_s(setup), setup.unit.bus.report_period_s) + READY_MORE_S


def _between_v_per_s(setup: Setup) -> float:
    supply = setup.bench.supply
    return min(BETWEEN_V_PER_S, supply.slew_up_v_per_s, supply.slew_down_v_per_s)


def _signals(setup: Setup) -> tuple[str, ...]:
    output, hold_up = monitored_output(setup), hold_up_of(setup)
    shown = (output, rheostat_of(setup, output), hold_up)
    return ("unit.voltage", *((CURRENT,) if hold_up else ()), *(voltage_signal(one.name) for one in shown if one))


def _rates(setup: Setup) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return rates_of(setup, first=FIRST_V_PER_S, last=LAST_V_PER_S, rates=RATES)


def _limit_a(setup: Setup) -> float:
    return limit_a(setup) if hold_up_of(setup) is not None else LIMIT_A


def _name(rate: float, cycle: int = 0) -> str:
    return f"scan-{rate:g}" + (f".{cycle}" if cycle else "")


def _recovered(run: ScanRun) -> str:
    return f"{RECOVERED}-{run.slope.rate_v_per_s:g}"


def _cycles(evidence: Evidence) -> int:
    return sum(name.startswith(RECOVERED) for name in evidence.names())
