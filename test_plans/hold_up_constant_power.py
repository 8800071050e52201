"""Hold-up output under a display: constant power by the electronic load while the bus sags to just above drop-out.

A resistor takes less as the output falls; a display takes more, and so shows what a resistor forgives. Constant power
holds an output down that was lost, so the bus does not go below where it must be held, and the load lets go at the end.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.measurement import Doubt, Observation, Result
from analysis.uncertainty import Estimate, bounded, combined
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import required_limit
from test_plans.drawn import stretches_of
from test_plans.driving import bring_up
from test_plans.expected import reading
from test_plans.hold_up import (
    CONDITION,
    OFF_PART,
    held_output,
    hold_up_capture,
    hold_up_needs,
    limit_a,
    lines_of,
    signals_of,
    without_hold_up,
)
from test_plans.hold_up_draw import draw_doubts, drawing, hang_on
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, nothing
from test_plans.rig import Drawn, Rig
from test_plans.sheets import Setup
from test_plans.signals import voltage_signal

RATE_HZ = 10_000.0
BEFORE_S = 0.2
DWELL_S = 0.3
SAG_V_PER_S = 20.0
ABOVE_DROP_OUT_V = 0.4
MEAN_S = 0.001  # what is shorter is no reason for a display to start anew
REBOOT_PART = 0.72  # of the level: 9 V of 12.5 V, for a millisecond (common practice, no published source)
CAPTURE = "sag"
LIMIT = "hold-up-voltage"


class HoldUpConstantPower:
    """Lowest voltage under constant power, and whether a display would have started anew."""

    name = "hold-up-constant-power"
    title = "Hold-up output under constant power while the bus sags"
    conditions = ("current_limit_a",)
    disturbs_bus = True

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_hold_up(setup)

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the hold-up output's function."""
        return (held_output(setup).function,)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture and the electronic load."""
        output, volts = held_output(setup), setup.unit.nominal_voltage_v
        capture = hold_up_capture(setup, CAPTURE, rate_hz=RATE_HZ, duration_s=_duration_s(setup), bus_v=volts)
        needs = hold_up_needs(setup, (capture,), limits=((LIMIT, _expected_v(setup)),), highest_v=volts)
        return drawing(setup, needs, most_a=output.rated_current_a)

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Draw the rated power, sag, stay, come back."""
        volts = setup.unit.nominal_voltage_v
        bring_up(rig, setup, voltage_v=volts, current_limit_a=limit_a(setup))
        hang_on(rig, setup)
        rig.draw(Drawn.POWER, _power_w(setup))
        rig.wait(0.1)
        with rig.capture(CAPTURE, signals_of(setup), sample_rate_hz=RATE_HZ, lines=lines_of(setup)) as session:
            session.note(drawn=Drawn.POWER.value, drawn_level=_power_w(setup))
            session.wait_until(BEFORE_S)
            rig.ramp_supply(_lowest_v(setup), rate_v_per_s=SAG_V_PER_S)
            session.note(sagged=True)
            rig.wait(DWELL_S)
            rig.ramp_supply(volts, rate_v_per_s=SAG_V_PER_S)
            rig.read_load()
            rig.wait(DWELL_S)
        rig.disconnect_load()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the lowest millisecond, and how many of them a display would not have stood."""
        record, output = Record(evidence, CAPTURE), held_output(setup)
        spoilt, means = _doubts(record, setup), _means(record, setup)
        words = f"{_power_w(setup):.0f} W, constant"
        yield doubted(_lowest(record, setup), *spoilt).measurement(
            id=f"{output.name}.constant-power-lowest",
            limit=LIMIT,
            title=f"{output.title} under constant power, the bus down to {_lowest_v(setup):g} V: lowest",
            function=output.function,
            quantity_unit="V",
            pins=(output.plus_pin,),
            notes=(f"{words}; means of {1e3 * MEAN_S:g} ms",),
        )
        below = int((means < REBOOT_PART * output.held_v).sum())
        yield Observation(
            id=f"{output.name}.constant-power-no-reboot",
            title=f"{output.title}: a display on it does not start anew while the bus sags",
            function=output.function,
            statement=(
                f"under {words}, the output is never below {REBOOT_PART * output.held_v:.1f} V for {1e3 * MEAN_S:g} ms"
            ),
            trials=int(bool(means.size)),
            failures=int(below > 0),
            detail=f"it was for {below * MEAN_S * 1e3:.0f} ms",
            doubts=spoilt,
            captures=record.names,
            pins=(output.plus_pin,),
        )


def _means(record: Record, setup: Setup) -> NDArray[np.float64]:
    values = record.samples(voltage_signal(held_output(setup).name))
    length = round(MEAN_S * RATE_HZ)
    return np.asarray(values[: values.size // length * length].reshape(-1, length).mean(axis=1), dtype=np.float64)


def _lowest(record: Record, setup: Setup) -> Estimate:
    means = _means(record, setup)
    if record.capture is None or not means.size:
        return nothing(*record.missing)
    return replace(_read(setup, float(means.min())), captures=record.names)


def _read(setup: Setup, value_v: float) -> Estimate:
    """Return a millisecond's mean; the lowest of many lies low by noise."""
    signal, samples = voltage_signal(held_output(setup).name), round(MEAN_S * RATE_HZ)
    facts = setup.bench.channels.get(signal)
    picked_v = 0.0 if facts is None else 4.0 * facts.noise / samples**0.5
    picked = bounded(0.0, picked_v, "the lowest of noisy means")
    found = reading(setup, signal, value_v, samples=samples)
    return combined(found.value, ((found, 1.0), (picked, 1.0)))


def _doubts(record: Record, setup: Setup) -> tuple[Doubt, ...]:
    """Return why it shows nothing of the unit: the bus ahead of the sag or in it, or what the load drew."""
    if record.capture is None:
        return record.missing
    output, before = held_output(setup), (0.05, BEFORE_S)
    found = [
        *record.doubts(signals_of(setup)),
        *supply_doubts(record, setup, CONDITION, *before),
        *draw_doubts(record, setup, *before),
    ]
    for told_s, _ in record.notes("sagged"):
        found += supply_doubts(record, setup, CONDITION, told_s + 0.05, told_s + DWELL_S - 0.05)
    stood_v = record.mean(voltage_signal(output.name), *before).value
    if not stretches_of(record) or not record.notes("sagged"):
        reason = f"{record.name}: the sag or the load is not on record"
        found.append(Doubt(reason=reason, cause=Cause.BENCH, next_step="run the procedure again"))
    if stood_v <= OFF_PART * output.held_v:
        reason = f"{record.name}: {stood_v:.2f} V at the output ahead of the sag"
        see = "see hold-up-regulation: whether the output holds at all"
        found.append(Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=see))
    return tuple(dict.fromkeys(found))


def _power_w(setup: Setup) -> float:
    output = held_output(setup)
    return output.held_v * output.rated_current_a


def _lowest_v(setup: Setup) -> float:
    return required_limit(setup, "hold-up-drop-out").high + ABOVE_DROP_OUT_V


def _expected_v(setup: Setup) -> float:
    return _read(setup, held_output(setup).held_v).standard_uncertainty


def _duration_s(setup: Setup) -> float:
    travel_s = (setup.unit.nominal_voltage_v - _lowest_v(setup)) / SAG_V_PER_S
    return BEFORE_S + 2.0 * (travel_s + DWELL_S) + 0.1
