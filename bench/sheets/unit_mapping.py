"""From a checked unit file to the `UnitSheet` procedures see."""

import math

from analysis.finding import Limit, LimitKind
from bench.sheets.limit_text import quantity_of
from bench.sheets.unit_file import (
    THRESHOLD_LIMITS,
    AirspeedTable,
    BusTable,
    DimmingTable,
    DiscreteTable,
    LimitTable,
    TrimRulesTable,
    TrimTable,
    UnitFile,
)
from test_plans.profile import Behaviour, Required
from test_plans.sheets import (
    NO_BUS,
    Airspeed,
    AirspeedAnalogue,
    AirspeedRoute,
    AirspeedSwitch,
    AirspeedText,
    Bus,
    CommandInput,
    DimmingKind,
    DimmingOutput,
    Discrete,
    Function,
    Pin,
    ReportItem,
    ReportKind,
    Rheostat,
    Sense,
    TrimAxis,
    TrimRules,
    TrimSwitch,
    UnitSheet,
    WatchedOutput,
)

FRAME_PERIOD_S = 0.1  # of airspeed on the bus


def to_unit_sheet(file: UnitFile, digest: str) -> UnitSheet:
    """Return the sheet procedures see; the file has been checked."""
    return UnitSheet(
        model=file.model,
        title=file.title,
        nominal_voltage_v=file.ratings.nominal_voltage,
        lowest_voltage_v=file.ratings.lowest_voltage,
        highest_voltage_v=file.ratings.highest_voltage,
        survives_voltage_v=file.ratings.survives_voltage,
        conforming_current_a=file.conforming_current,
        full_trim_airspeed_kt=math.inf if file.ratings.full_trim_airspeed is None else file.ratings.full_trim_airspeed,
        power_pin=file.power.power_pin,
        power_ground_pin=file.power.power_ground_pin,
        signal_ground_pin=file.power.signal_ground_pin,
        ground_current_a=file.power.ground_current or 0.0,
        functions=tuple(Function(name=name, title=title) for name, title in file.functions.items()),
        pins={name: Pin(name=name, title=title) for name, title in file.pins.items()},
        limits={name: _limit(name, limit) for name, limit in file.limits.items()},
        discretes=tuple(_discrete(file, name, entry) for name, entry in file.discretes.items()),
        rheostats=tuple(
            Rheostat(
                name=name,
                title=entry.title,
                pin=entry.pin,
                full_travel_v=entry.full_travel,
                open_voltage_v=entry.open_voltage or 0.0,
                open_travel=entry.open_travel or 0.0,
            )
            for name, entry in file.rheostats.items()
        ),
        dimming=tuple(_dimming(name, entry) for name, entry in file.dimming.items()),
        trims=tuple(_trim(name, entry) for name, entry in file.trims.items()),
        trim_rules=_trim_rules(file.trim_rules) if file.trim_rules else None,
        airspeed=_airspeed(file.airspeed) if file.airspeed else None,
        outputs=tuple(
            WatchedOutput(
                name=name,
                title=entry.title,
                function=entry.function,
                plus_pin=entry.plus_pin,
                minus_pin=entry.minus_pin or "",
                held_v=entry.held_at or 0.0,
                rated_current_a=entry.rated_current or 0.0,
                short_proof=entry.short_proof,
            )
            for name, entry in file.outputs.items()
        ),
        inputs=tuple(
            CommandInput(name=name, title=entry.title, function=entry.function, pin=entry.pin)
            for name, entry in file.inputs.items()
        ),
        bus=NO_BUS if file.bus is None else _bus(file.bus),
        debounce_accepts_s=file.debounce.accepts if file.debounce else 0.0,
        debounce_rejects_s=file.debounce.rejects if file.debounce else 0.0,
        acceptance_plan=file.acceptance_plan,
        profiles={
            name: Required(
                hold_up=None if entry.hold_up is None else Behaviour(entry.hold_up),
                logic=None if entry.logic is None else Behaviour(entry.logic),
            )
            for name, entry in file.profiles.items()
        },
        interruptions={state: entry.longest_s for state, entry in file.interruptions.items()},
        digest=digest,
    )


def _limit(name: str, table: LimitTable) -> Limit:
    given = {
        side: figure[0]
        for side, figure in (("low", table.low), ("nominal", table.nominal), ("high", table.high))
        if figure is not None
    }
    return Limit(
        id=name,
        quantity_unit=quantity_of(table.low, table.high).symbol,
        source=table.source,
        date=table.date,
        kind=LimitKind.TEST_LIMIT if table.kind == "test-limit" else LimitKind.SPECIFICATION,
        worst_case=table.worst_case,
        **given,
    )


def _discrete(file: UnitFile, name: str, entry: DiscreteTable) -> Discrete:
    prefix = THRESHOLD_LIMITS[entry.sense]
    sense = file.senses[entry.sense]
    active, inactive = (file.limits[f"{prefix}-{state}"].nominal for state in ("active", "inactive"))
    if active is None or inactive is None:
        raise ValueError(f"{name}: thresholds without nominal value; the sheet was not checked")
    return Discrete(
        name=name,
        title=entry.title,
        pin=entry.pin,
        sense=Sense(entry.sense),
        pull_voltage_v=sense.pull_voltage,
        pull_resistance_ohm=sense.pull_resistance,
        threshold_active_v=active[0],
        threshold_inactive_v=inactive[0],
        report=entry.report or "",
        shown_by=entry.shown_by or "",
    )


def _dimming(name: str, entry: DimmingTable) -> DimmingOutput:
    return DimmingOutput(
        name=name,
        title=entry.title,
        pin=entry.pin,
        kind=DimmingKind(entry.kind),
        off_below=entry.off_below,
        low_level=entry.low_level[0],
        high_level=entry.high_level[0],
        frequency_hz=entry.frequency or 0.0,
    )


def _trim(name: str, entry: TrimTable) -> TrimAxis:
    return TrimAxis(
        name=name,
        title=entry.title,
        function=entry.function,
        plus_pin=entry.plus_pin,
        minus_pin=entry.minus_pin,
        switches=tuple(
            TrimSwitch(
                name=switch.name,
                axis=name,
                seat=switch.seat,
                direction=switch.direction,
                polarity=1 if switch.polarity == "plus" else -1,
                pin=switch.pin,
            )
            for switch in entry.switches
        ),
        rated_current_a=entry.rated_current,
        cut_off_s=entry.cut_off,
    )


def _trim_rules(table: TrimRulesTable) -> TrimRules:
    return TrimRules(
        pwm_hz=table.pwm_frequency,
        slow_airspeed_kt=math.inf if table.slow_airspeed is None else table.slow_airspeed,
        slow_duty=table.slow_duty,
        resumes_after_hand_over=table.after_hand_over == "resumes",
        opposite_works_while_stuck="opposite-direction" in table.works_while_stuck,
        other_seat_works_while_stuck="other-seat" in table.works_while_stuck,
        start_current_a=table.start_current,
        start_s=table.start_time,
    )


def _bus(table: BusTable) -> Bus:
    return Bus(
        bit_rate=round(table.bit_rate),
        node=table.node,
        report_period_s=table.report_period,
        reports={
            name: ReportItem(name=name, identifier=entry.identifier, kind=ReportKind(entry.kind), bits=entry.bits)
            for name, entry in table.reports.items()
        },
    )


def _airspeed(table: AirspeedTable) -> Airspeed:
    text, analogue, switch = table.text, table.analogue, table.switch
    return Airspeed(
        route=AirspeedRoute(table.route),
        pin=table.pin or "",
        lost_s=math.inf if table.lost is None else table.lost,
        frozen_s=math.inf if table.frozen_after is None else table.frozen_after,
        lowest_kt=-math.inf if table.lowest is None else table.lowest,
        highest_kt=math.inf if table.highest is None else table.highest,
        period_s=FRAME_PERIOD_S if text is None else text.period,
        identifier=table.canaerospace.identifier if table.canaerospace is not None else 0,
        text=None
        if text is None
        else AirspeedText(
            bit_rate=round(text.bit_rate),
            sentence=text.sentence,
            speed_unit=text.speed_unit,
            decimals=text.decimals,
            converts_units=text.other_units == "converted",
        ),
        analogue=None
        if analogue is None
        else AirspeedAnalogue(
            low_kt=analogue.low.airspeed,
            low_v=analogue.low.voltage,
            high_kt=analogue.high.airspeed,
            high_v=analogue.high.voltage,
            pull_voltage_v=analogue.pull_voltage,
            pull_resistance_ohm=analogue.pull_resistance,
            lost_below_v=analogue.lost_below,
        ),
        switch=None
        if switch is None
        else AirspeedSwitch(
            closed_when_fast=switch.closed_when == "fast", rising_kt=switch.rising, falling_kt=switch.falling
        ),
    )
