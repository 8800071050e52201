"""What stands between a procedure's needs and a bench: each obstacle with its remedy and what that costs."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from bench.sampling import GUARD_SIGNALS
from bench.sheets.bench_sheet import BenchSheet, SignalWiring
from bench.sheets.signals import RECEIVE_LINE
from bench.worth import Worth
from test_plans.procedure import CaptureNeed, Needs
from test_plans.rig import SupplyPath
from test_plans.sheets import UnitSheet
from test_plans.signals import AIRSPEED, MOTOR

OPEN = "open"
SUPPLY_RESERVE = 1.3  # a limit below this many times what a conforming unit draws says nothing of the unit
CAPTURE_BYTES = 32_000_000
PLAN_BYTES = 400_000_000
_CODE_BYTES = 2
_BITS_PER_BYTE = 8


class Cost(StrEnum):
    """What it takes to remove an obstacle, cheapest first."""

    FIGURE = "a figure in a sheet or plan"
    WIRE = "a wire"
    PART = "a part"
    INSTRUMENT = "an instrument"


_CHEAPEST_FIRST = tuple(Cost)


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """Why a step can't be done as it stands, and what would do.

    `key` names the figure of a sheet that forbids it, where one does; a plan that goes beyond such a figure is
    refused. "" where a wire, a load or an instrument is missing: then the step is listed as not tested.
    """

    what: str
    remedy: str
    cost: Cost
    key: str = ""


def _signals(need: CaptureNeed) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*GUARD_SIGNALS, *need.signals)))


def _sample_bytes(need: CaptureNeed) -> int:
    return _CODE_BYTES * len(_signals(need)) + math.ceil(len(need.lines) / _BITS_PER_BYTE)


def _bytes(need: CaptureNeed) -> int:
    return _sample_bytes(need) * math.ceil(need.sample_rate_hz * need.duration_s)


def captured_bytes(needs: Needs) -> int:
    """Return the raw bytes of all captures of a procedure."""
    return sum(_bytes(need) for need in needs.captures)


def sampling_obstacles(needs: Needs, bench: BenchSheet) -> Iterator[Obstacle]:
    """Yield what the captures lack: signals, lines, rate, link and range."""
    for need in needs.captures:
        for signal in _signals(need):
            if signal not in bench.signals:
                yield Obstacle(
                    what=f"signal {signal} is not wired", remedy=f"wire {signal} to a free DAQ input", cost=Cost.WIRE
                )
        for line in need.lines:
            if line not in bench.lines:
                yield Obstacle(
                    what=f"line {line} is not wired", remedy=f"wire {line} to a free digital input", cost=Cost.WIRE
                )
        yield from _rates(need, bench)
        for signal, highest in need.highest_v.items():
            if signal in bench.signals:
                yield from _range(bench.signals[signal], highest, bench)


def _rates(need: CaptureNeed, bench: BenchSheet) -> Iterator[Obstacle]:
    daq, rate_hz, count = bench.daq, need.sample_rate_hz, len(_signals(need))
    faster = "a DAQ that samples at least"
    if rate_hz > daq.max_rate_hz:
        what = f"capture {need.name} wants {rate_hz:g} S/s, the DAQ does {daq.max_rate_hz:g} S/s"
        yield Obstacle(what=what, remedy=f"{faster} {rate_hz:g} S/s", cost=Cost.INSTRUMENT, key="daq.max-rate")
    if rate_hz * count > daq.max_total_rate_hz:
        what = (
            f"capture {need.name} wants {count} channels at {rate_hz:g} S/s, "
            f"the DAQ does {daq.max_total_rate_hz:g} S/s in all"
        )
        remedy = f"{faster} {rate_hz * count:g} S/s in all"
        yield Obstacle(what=what, remedy=remedy, cost=Cost.INSTRUMENT, key="daq.max-total-rate")
    link = rate_hz * _sample_bytes(need)
    if link > daq.link_bytes_per_s:
        what = f"capture {need.name} sends {link:g} B/s, the link carries {daq.link_bytes_per_s:g} B/s"
        remedy = f"a link that carries {link:g} B/s"
        yield Obstacle(what=what, remedy=remedy, cost=Cost.INSTRUMENT, key="daq.link-rate")


def _range(wire: SignalWiring, highest: float, bench: BenchSheet) -> Iterator[Obstacle]:
    full = wire.range_v * wire.units_per_v
    if highest <= full:
        return
    what = f"{wire.name} reaches {highest:g} {wire.quantity_unit}, its input ends at {full:g} {wire.quantity_unit}"
    wider = [value for value in bench.daq.ranges_v if value * wire.units_per_v >= highest]
    if wider:
        remedy, cost = f"the {min(wider):g} V range for {wire.name}", Cost.FIGURE
    else:
        remedy, cost = f"a divider or another shunt for {wire.name}", Cost.PART
    yield Obstacle(what=what, remedy=remedy, cost=cost, key=f"signals.{wire.name}")


def volume_obstacles(needs: Needs, plan_bytes: int) -> Iterator[Obstacle]:
    """Yield captures too large to keep; `plan_bytes` counts the plan up to and with this step."""
    for need in needs.captures:
        if _bytes(need) > CAPTURE_BYTES:
            what = (
                f"capture {need.name} takes {_bytes(need) / 1e6:.0f} MB, at most {CAPTURE_BYTES / 1e6:.0f} MB are kept"
            )
            yield Obstacle(
                what=what, remedy=f"a shorter or slower capture {need.name}", cost=Cost.FIGURE, key="conditions"
            )
    if plan_bytes > PLAN_BYTES:
        what = f"with this step the plan captures {plan_bytes / 1e6:.0f} MB, at most {PLAN_BYTES / 1e6:.0f} MB are kept"
        yield Obstacle(what=what, remedy="fewer steps in one plan", cost=Cost.FIGURE, key="steps")


def power_obstacles(needs: Needs, bench: BenchSheet) -> Iterator[Obstacle]:
    """Yield what the supply lacks, and a current limit too tight to tell a heavy unit from a starved one."""
    supply = bench.supply
    reserve_a = SUPPLY_RESERVE * needs.supply_current_a
    at_supply_v = needs.highest_voltage_v + needs.supply_current_a * (bench.lead_positive_ohm + bench.lead_negative_ohm)
    if at_supply_v > supply.max_voltage_v:
        what = f"wants {at_supply_v:.3g} V at the supply, which does {supply.max_voltage_v:g} V"
        remedy = f"a supply of at least {at_supply_v:.3g} V"
        yield Obstacle(what=what, remedy=remedy, cost=Cost.INSTRUMENT, key="supply.max-voltage")
    wanted_a = max(reserve_a, needs.current_limit_a)
    if wanted_a > supply.max_current_a:
        what = f"wants {wanted_a:.3g} A of the supply, which does {supply.max_current_a:g} A"
        remedy = f"a supply of at least {wanted_a:.3g} A"
        yield Obstacle(what=what, remedy=remedy, cost=Cost.INSTRUMENT, key="supply.max-current")
    if 0.0 < needs.current_limit_a < reserve_a:
        what = (
            f"the current limit of {needs.current_limit_a:.3g} A is below {SUPPLY_RESERVE} times "
            f"the {needs.supply_current_a:.3g} A that a conforming unit may draw"
        )
        remedy = f"current-limit of at least {reserve_a:.3g} A in the plan"
        yield Obstacle(what=what, remedy=remedy, cost=Cost.FIGURE, key="conditions.current-limit")


def wiring_obstacles(needs: Needs, bench: BenchSheet) -> Iterator[Obstacle]:
    """Yield what stimuli, switches, bus, bus-switch positions and loads lack."""
    yield from _paths(needs, bench)
    yield from _lines(needs, bench)
    yield from _loads(needs, bench)
    yield from _brakes(needs, bench)
    yield from _electronic_load(needs, bench)


def _paths(needs: Needs, bench: BenchSheet) -> Iterator[Obstacle]:
    for path in needs.paths:
        if path != SupplyPath.OPEN.value and path not in bench.paths:
            what = f"the bus switch has no position {path}"
            yield Obstacle(what=what, remedy=f"position {path} of the bus switch", cost=Cost.PART)


def _lines(needs: Needs, bench: BenchSheet) -> Iterator[Obstacle]:
    for stimulus in needs.stimuli:
        if stimulus not in bench.stimuli:
            what = f"stimulus {stimulus} is not wired"
            yield Obstacle(what=what, remedy=f"wire {stimulus} to a free analogue output", cost=Cost.WIRE)
    if needs.stimulus_v > bench.daq.output_max_v:
        what = f"wants {needs.stimulus_v:g} V of its stimuli, which end at {bench.daq.output_max_v:g} V"
        remedy = f"stimuli of at least {needs.stimulus_v:g} V"
        yield Obstacle(what=what, remedy=remedy, cost=Cost.PART, key="daq.output-max")
    for switch in needs.switches:
        if switch not in bench.switches:
            what = f"switch {switch} is not wired"
            yield Obstacle(what=what, remedy=f"wire {switch} to a free digital output", cost=Cost.WIRE)
    if needs.bus and bench.bus is None:
        yield Obstacle(what="no avionics bus", remedy="a bus interface", cost=Cost.INSTRUMENT)
    elif needs.bus and RECEIVE_LINE not in bench.lines:
        yield Obstacle(
            what="the bus receive line is not wired", remedy="wire it to a free digital input", cost=Cost.WIRE
        )


def airspeed_obstacles(needs: Needs, unit: UnitSheet, bench: BenchSheet) -> Iterator[Obstacle]:
    """Yield what keeps airspeed from the unit by its route; over the bus it needs nothing but that."""
    airspeed = unit.airspeed
    if not needs.airspeed or airspeed is None:
        return
    at = f"pin {airspeed.pin}"
    if airspeed.text is not None:
        if bench.text_line is None:
            what = "airspeed is text, and no serial port leads to the unit"
            remedy = f"a serial port of {airspeed.text.bit_rate} bit/s, led to {at}"
            yield Obstacle(what=what, remedy=remedy, cost=Cost.INSTRUMENT)
    elif airspeed.analogue is not None:
        most_v = max(airspeed.analogue.low_v, airspeed.analogue.high_v)
        if AIRSPEED not in bench.stimuli:
            what = "airspeed is a voltage, and no analogue output leads to the unit's"
            yield Obstacle(what=what, remedy=f"wire {at} to a free analogue output", cost=Cost.WIRE)
        elif most_v > bench.daq.output_max_v:
            what = f"airspeed wants {most_v:g} V, the analogue outputs end at {bench.daq.output_max_v:g} V"
            yield Obstacle(what=what, remedy=f"an output of at least {most_v:g} V", cost=Cost.INSTRUMENT)
    elif airspeed.switch is not None and AIRSPEED not in bench.switches:
        what = "airspeed is a contact, and no digital output works one at the unit's"
        yield Obstacle(what=what, remedy=f"wire {at} to a free digital output and input", cost=Cost.WIRE)


def _loads(needs: Needs, bench: BenchSheet) -> Iterator[Obstacle]:
    for output, position in (*needs.loads, *needs.light_loads):
        if position == OPEN:
            continue
        load = next((entry for entry in bench.loads if (entry.output, entry.position) == (output, position)), None)
        if load is None:
            what = f"{output} has no load {position}"
            part = "a brushed motor of [motors]" if position == MOTOR else f"a resistor of {position}"
            yield Obstacle(what=what, remedy=f"{part} on a relay for {output}", cost=Cost.PART)
        elif (output, position) in needs.loads and needs.load_current_a > load.max_current_a:
            what = (
                f"the load {position} of {output} gets {needs.load_current_a:.3g} A, "
                f"it is rated {load.max_current_a:.3g} A"
            )
            remedy = f"a resistor of {position} rated {needs.load_current_a:.3g} A for {output}"
            yield Obstacle(what=what, remedy=remedy, cost=Cost.PART)


def _brakes(needs: Needs, bench: BenchSheet) -> Iterator[Obstacle]:
    braked = {load.output for load in bench.loads if load.brake_output is not None}
    for output in needs.brakes:
        if output not in braked:
            remedy = f"a brake on a digital output for the motor of {output} (brake-output)"
            yield Obstacle(what=f"nothing holds the motor of {output} still", remedy=remedy, cost=Cost.PART)


def _electronic_load(needs: Needs, bench: BenchSheet) -> Iterator[Obstacle]:
    if not needs.drawn_from:
        return
    load = bench.electronic_load
    if load is None:
        what = f"no electronic load, which draws {needs.drawn_a:.3g} A from {', '.join(needs.drawn_from)}"
        remedy = f"an electronic load of at least {needs.drawn_a:.3g} A and {needs.drawn_w:.3g} W"
        yield Obstacle(what=what, remedy=remedy, cost=Cost.INSTRUMENT)
        return
    for output in needs.drawn_from:
        if output not in bench.load_outputs:
            what = f"the electronic load does not reach {output}"
            yield Obstacle(what=what, remedy=f"a relay from the electronic load to {output}", cost=Cost.PART)
    if needs.drawn_reversed and load.reverse_output is None:
        what = "the electronic load can't be reversed, and outputs drive both ways"
        yield Obstacle(what=what, remedy="a relay that exchanges the electronic load's leads", cost=Cost.PART)
    for asked, rated, unit, key in (
        (needs.drawn_a, load.max_current_a, "A", "max-current"),
        (needs.drawn_w, load.max_power_w, "W", "max-power"),
    ):
        if asked > rated:
            what = f"wants {asked:.3g} {unit} of the electronic load, which is rated {rated:g} {unit}"
            remedy = f"an electronic load of at least {asked:.3g} {unit}"
            yield Obstacle(what=what, remedy=remedy, cost=Cost.INSTRUMENT, key=f"electronic-load.{key}")


def limit_obstacle(key: str, worth: Worth | None) -> Obstacle | None:
    """Return what forbids a measurement: a limit that the sheet lacks, or an uncertainty with which none would pass."""
    if worth is None:
        what = f"the unit sheet has no limit {key}"
        return Obstacle(what=what, remedy=f"limit {key} in the unit sheet", cost=Cost.FIGURE, key=f"limits.{key}")
    if not worth.refused:
        return None
    return Obstacle(what=worth.refusal, remedy=worth.remedy, cost=Cost.INSTRUMENT)
