"""Ripple of the hold-up output, lightly and fully loaded, along the bus: peak to peak, and its strongest component.

The DAQ sees what lies below half its sample rate. What a converter does at its switching frequency is above that, and
what comes through folds down; a component that moves with the sample rate is no component of the output.
"""

import math
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

from analysis.measurement import Curve, Doubt, Result
from analysis.ripple import Ripple, ripple_of
from analysis.uncertainty import Estimate, bounded, combined, difference
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import required_limit
from test_plans.driving import POWER_UP_RATE_V_PER_S, bring_up
from test_plans.expected import reading, typical
from test_plans.hold_up import (
    CONDITION,
    OFF_PART,
    full_load,
    held_output,
    hold_up_capture,
    hold_up_needs,
    light_load,
    limit_a,
    lines_of,
    load_doubts,
    put_load,
    signals_of,
    without_hold_up,
)
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Rig
from test_plans.sheets import Setup
from test_plans.signals import voltage_signal

RATE_HZ = 50_000.0
SETTLE_S = 0.05
READ_S = 0.1
ABOVE_DROP_OUT_V = 0.4
BETWEEN_V = 8.0  # where a bus stands while an engine is cranked
BUS_PART = 0.5  # of the output's ripple: a bus that has as much of its own may be where it comes from
LIMIT = "hold-up-ripple"
LIGHT, FULL = "light", "full"
WORDS = {LIGHT: "lightly loaded", FULL: "at its rated current"}


class HoldUpRipple:
    """Ripple at three bus voltages and two loads."""

    name = "hold-up-ripple"
    title = "Hold-up output: ripple within the DAQ's bandwidth"
    conditions = ("current_limit_a",)
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the hold-up output's function."""
        return (held_output(setup).function,)

    def needs(self, setup: Setup) -> Needs:
        """Return one fast capture for each bus voltage, with two loads in it."""
        volts = _levels_v(setup)
        travel_v = sum(abs(b - a) for a, b in pairwise((*volts, volts[0])))
        needs = hold_up_needs(
            setup,
            tuple(
                hold_up_capture(setup, _capture(bus_v), rate_hz=RATE_HZ, duration_s=_duration_s(), bus_v=bus_v)
                for bus_v in volts
            ),
            limits=((LIMIT, _expected(setup)),),
            highest_v=max(volts),
            light=True,
            apart_s=3.0 + travel_v / POWER_UP_RATE_V_PER_S,
        )
        above = f"ripple of the hold-up output above {RATE_HZ / 2000.0:g} kHz, where its switching frequency lies"
        return replace(needs, untested=(f"{above}: an oscilloscope shows it",))

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """At each bus voltage, from high to low: lightly and fully loaded."""
        bring_up(rig, setup, voltage_v=setup.unit.nominal_voltage_v, current_limit_a=limit_a(setup))
        positions = {LIGHT: light_load(setup), FULL: full_load(setup)}
        for bus_v in _levels_v(setup):
            put_load(rig, setup, positions[LIGHT])
            rig.ramp_supply(bus_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)
            with rig.capture(
                _capture(bus_v), signals_of(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup)
            ) as session:
                for place, load in enumerate((LIGHT, FULL)):
                    session.wait_until(_begin_s(place))
                    put_load(rig, setup, positions[load])
                session.wait_until(_duration_s())
            put_load(rig, setup, "open")
        rig.ramp_supply(setup.unit.nominal_voltage_v, rate_v_per_s=POWER_UP_RATE_V_PER_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give peak to peak at every bus voltage and load, and the spectra at full load."""
        output = held_output(setup)
        spectra: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
        for bus_v in _levels_v(setup):
            record = Record(evidence, _capture(bus_v))
            for place, load in enumerate((LIGHT, FULL)):
                seen = _ripple(record, setup, voltage_signal(output.name), *_span_s(place))
                yield _estimate(record, setup, seen, place, load).measurement(
                    id=f"{output.name}.ripple-at-{bus_v:g}-v-{load}",
                    limit=LIMIT,
                    title=f"{output.title} {WORDS[load]}, {bus_v:g} V on the bus: ripple, peak to peak",
                    function=output.function,
                    quantity_unit="V",
                    pins=(output.plus_pin,),
                    notes=_notes(seen),
                )
                if seen is not None and load == FULL:
                    spectra[f"{bus_v:g} V on the bus"] = (
                        tuple(float(hz) for hz in seen.frequencies_hz[1:]),
                        tuple(1e3 * float(value) for value in seen.amplitudes[1:]),
                    )
        yield Curve(
            id=f"{output.name}.ripple-spectrum",
            title="Hold-up output at its rated current: spectrum of its ripple",
            function=output.function,
            x_label="frequency, Hz",
            y_label="peak to peak, mV",
            series=spectra,
        )


def _ripple(record: Record, setup: Setup, signal: str, start_s: float, stop_s: float) -> Ripple | None:
    values, facts = record.samples(signal, start_s, stop_s), setup.bench.channels.get(signal)
    if record.capture is None or facts is None or values.size < 16:
        return None
    return ripple_of(values, sample_rate_hz=record.capture.sample_rate_hz, noise=facts.noise)


def _estimate(record: Record, setup: Setup, seen: Ripple | None, place: int, load: str) -> Estimate:
    """Return the ripple: two samples of one channel, and what noise adds."""
    output, span = held_output(setup), _span_s(place)
    signal = voltage_signal(output.name)
    if seen is None:
        return nothing(*(record.missing or record.doubts((signal,), *span)))
    level = record.mean(signal, *span)
    doubts = [*level.doubts, *record.doubts(signals_of(setup), *span), *supply_doubts(record, setup, CONDITION, *span)]
    if load == FULL:
        doubts += load_doubts(record, setup, _begin_s(place), span[1])
    if level.value <= OFF_PART * output.held_v:
        reason = f"{record.name}: {level.value:.2f} V at the output: it holds nothing that could ripple"
        see = "see hold-up-regulation: whether the output holds at all"
        doubts.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=see))
    bus = _ripple(record, setup, "unit.voltage", *span)
    limit_v = required_limit(setup, LIMIT).high
    if bus is not None and seen.peak_to_peak > limit_v and bus.peak_to_peak > BUS_PART * seen.peak_to_peak:
        reason = f"{record.name}: the bus itself ripples by {1e3 * bus.peak_to_peak:.0f} mV"
        see = "look at the bus with the same load at the plug in the unit's stead (bench-leads)"
        doubts.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=see))
    found = replace(_apart(setup, level.value, seen.peak_to_peak, seen.noise_bound), captures=record.names)
    return doubted(found, *doubts)


def _apart(setup: Setup, level_v: float, ripple_v: float, noise_bound_v: float) -> Estimate:
    signal = voltage_signal(held_output(setup).name)
    top = reading(setup, signal, level_v + 0.5 * ripple_v, when="top")
    apart = difference(top, reading(setup, signal, level_v - 0.5 * ripple_v, when="bottom"))
    noise = bounded(0.0, noise_bound_v, "noise of the farthest samples")
    return combined(apart.value, ((apart, 1.0), (noise, 1.0)))


def _expected(setup: Setup) -> float:
    facts = setup.bench.channels.get(voltage_signal(held_output(setup).name))
    samples = RATE_HZ * READ_S
    noise_bound_v = 0.0 if facts is None else facts.noise * math.sqrt(2.0 * math.log(samples))
    return _apart(setup, held_output(setup).held_v, typical(setup, LIMIT), noise_bound_v).standard_uncertainty


def _notes(seen: Ripple | None) -> tuple[str, ...]:
    if seen is None:
        return ()
    return (
        f"within {seen.highest_hz / 1e3:g} kHz",
        f"strongest component {1e3 * seen.component_peak_to_peak:.0f} mV at {seen.component_hz:.0f} Hz",
    )


def _levels_v(setup: Setup) -> tuple[float, ...]:
    """Return the nominal voltage, one of cranking, and just above where the output may drop out."""
    lowest_v = required_limit(setup, "hold-up-drop-out").high + ABOVE_DROP_OUT_V
    return tuple(sorted({setup.unit.nominal_voltage_v, max(BETWEEN_V, lowest_v), lowest_v}, reverse=True))


def _capture(bus_v: float) -> str:
    return f"at-{bus_v:g}-v"


def _begin_s(place: int) -> float:
    return place * (SETTLE_S + READ_S)


def _span_s(place: int) -> tuple[float, float]:
    return _begin_s(place) + SETTLE_S, _begin_s(place + 1)


def _duration_s() -> float:
    return _begin_s(2) + 0.02
