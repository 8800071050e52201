"""Trim outputs by electronic load: drop against current in steps, both ways; the bridge's resistance as a line."""

from collections.abc import Iterable, Sequence

import numpy as np

from analysis.measurement import Doubt, Measurement, Result
from analysis.power import consistency_doubts
from analysis.uncertainty import Estimate, combined, difference
from test_plans.bench_agreement import SIGNALS, agreement_in, agreement_observation
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, count, current_limit_a
from test_plans.drawn import Stretch, draw_doubts, stretches_of, without_draw
from test_plans.driving import LEAD_S, bring_up
from test_plans.expected import reading, typical, worst
from test_plans.model_gaps import without_limit, without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, magnitude, nothing
from test_plans.rig import Drawn, Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import axis_signals, drawn_axes, drawn_functions, drawn_needs, hang_on
from test_plans.trim_drive import of_seat, seats_of
from test_plans.trim_switches import drop_of, duty_doubts, hold_of, line_doubts, seat_words, switch_id

RATE_HZ = 5000.0
LEAST_A = 0.2
STEP_S = 0.12
ON_S = 0.2  # from the press until the first level
OFF_S = 0.15
CONDITION = "loaded"
LEAST_POINTS = 3  # of a line that may be off
LEAST_OFF_V = 1e-6  # a point that is off, however little, is the furthest


class TrimDropSweep:
    """Resistance of the bridge and how straight its line is, for each direction of the first seat."""

    name = "trim-drop-sweep"
    title = "Trim outputs by electronic load: drop against current"
    conditions = ("voltage_v", "current_limit_a", "axes", "points")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        return without_trim(setup) or without_limit(setup, "trim-bridge-resistance", "trim-drop-linearity")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes that the load reaches."""
        return drawn_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture a direction and the electronic load on every axis."""
        volts, axes = bus_voltage_v(setup), drawn_axes(setup)
        captures = tuple(
            CaptureNeed(
                name=capture_name(switch),
                signals=(*axis_signals(axis), *SIGNALS),
                lines=trim_lines(setup.unit),
                sample_rate_hz=RATE_HZ,
                duration_s=_duration_s(setup),
                highest_v={"unit.voltage": volts, voltage_signal(axis.name): volts},
            )
            for axis in axes
            for switch in first_seat(axis)
        )
        most_a = max((axis.rated_current_a for axis in axes), default=0.0)
        return drawn_needs(
            setup,
            captures,
            condition=CONDITION,
            limit_a=current_limit_a(setup, CONDITION, 3.0),
            most_a=most_a,
            limits=_expected(setup),
            switches=[switch for axis in axes for switch in first_seat(axis)],
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Hold each switch and draw one level after the other."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 3.0))
        for axis in drawn_axes(setup):
            for switch in first_seat(axis):
                hang_on(rig, axis, switch)
                signals = (*axis_signals(axis), *SIGNALS)
                lines = trim_lines(setup.unit)
                with rig.capture(capture_name(switch), signals, sample_rate_hz=RATE_HZ, lines=lines) as session:
                    session.press(switch.name, at_s=LEAD_S)
                    began_s = LEAD_S + ON_S
                    session.wait_until(began_s)
                    for position, level_a in enumerate(_levels_a(setup, axis)):
                        rig.draw(Drawn.CURRENT, level_a)
                        session.wait_until(began_s + (position + 1) * STEP_S)
                    rig.stop_drawing()
                    session.release(switch.name, at_s=session.now_s + LEAD_S)
                    session.wait_until(_duration_s(setup))
                rig.arm(False)
        rig.disconnect_load()

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give resistance and straightness of each direction, and whether the bench's figures agree meanwhile."""
        for axis in drawn_axes(setup):
            for switch in first_seat(axis):
                record = Record(evidence, capture_name(switch))
                stretches = stretches_of(record)
                yield from self._line(record, setup, axis, switch, stretches)
                title = f"Bench: its figures agree with {axis.name} on the electronic load, {switch.direction}"
                agreements = [agreement_in(record, setup, each.from_s, each.to_s) for each in stretches]
                yield from agreement_observation(record, switch_id(switch, "sweep-agreement"), title, agreements)

    def _line(
        self, record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch, stretches: Sequence[Stretch]
    ) -> Iterable[Measurement]:
        doubts = self._doubts(record, setup, axis, switch, stretches)
        currents = [magnitude(record.mean(f"{axis.name}.current", each.from_s, each.to_s)) for each in stretches]
        drops = [drop_of(record, axis, each.from_s, each.to_s) for each in stretches]
        slope, furthest = line_through(currents, drops)
        at = f"{len(stretches)} currents" + (
            f" from {currents[0].value:.2f} to {currents[-1].value:.2f} A" if currents else ""
        )
        for what, limit, title, found, unit in (
            ("bridge-resistance", "trim-bridge-resistance", "resistance of the bridge", slope, "ohm"),
            ("drop-linearity", "trim-drop-linearity", "drop, furthest off its line", furthest, "V"),
        ):
            yield doubted(found, *doubts).measurement(
                id=switch_id(switch, what),
                limit=limit,
                title=f"{axis.title} {seat_words(switch)}: {title}",
                function=axis.function,
                quantity_unit=unit,
                pins=(axis.plus_pin, axis.minus_pin),
                notes=(at,),
            )

    def _doubts(
        self, record: Record, setup: Setup, axis: TrimAxis, switch: TrimSwitch, stretches: Sequence[Stretch]
    ) -> tuple[Doubt, ...]:
        held = hold_of(record, axis, switch)
        if missing := without_draw(record):
            return missing
        found = list(line_doubts(record, held)) if held is not None else []
        for each in stretches:
            window = (each.from_s, each.to_s)
            found.extend(duty_doubts(record, axis, *window, full_airspeed_kt=setup.unit.full_trim_airspeed_kt))
            found.extend(supply_doubts(record, setup, CONDITION, *window))
            found.extend(consistency_doubts(agreement_in(record, setup, *window).checks))
        if not found:  # of a pulsed output the mean current is no level of the load
            found.extend(draw_doubts(record, setup, axis, switch.polarity, stretches))
        return tuple(dict.fromkeys(found))


def line_through(currents: Sequence[Estimate], drops: Sequence[Estimate]) -> tuple[Estimate, Estimate]:
    """Return slope of the least-squares line of drop over current, and the largest distance of a point from it.

    What all readings of a channel share is carried through the fit, so offsets cancel (JCGM 100, 5.2). Both are NaN
    where there are fewer than three points or all currents are one.
    """
    amps = np.array([each.value for each in currents])
    volts = np.array([each.value for each in drops])
    spread = amps - amps.mean() if amps.size else amps
    if amps.size < LEAST_POINTS or not float(np.sum(spread**2)) > 0.0:
        empty = nothing(*(doubt for each in (*currents, *drops) for doubt in each.doubts))
        return empty, empty
    weights = spread / float(np.sum(spread**2))
    slope = float(np.sum(weights * volts))
    inputs = [(drop, float(c)) for drop, c in zip(drops, weights, strict=True)]
    inputs += [(current, -slope * float(c)) for current, c in zip(currents, weights, strict=True)]
    residues = volts - volts.mean() - slope * spread
    furthest = int(np.argmax(np.abs(residues)))
    # What a point's residue takes of each drop: itself less its share in mean and slope.
    shares = -1.0 / amps.size - spread[furthest] * weights
    shares[furthest] += 1.0
    sign = 1.0 if residues[furthest] >= 0.0 else -1.0
    parts = [(drop, sign * float(c)) for drop, c in zip(drops, shares, strict=True)]
    parts += [(current, -sign * slope * float(c)) for current, c in zip(currents, shares, strict=True)]
    return combined(slope, inputs), combined(float(abs(residues[furthest])), parts)


def first_seat(axis: TrimAxis) -> tuple[TrimSwitch, ...]:
    """Return the switches of the seat that has priority: one a direction. The bridge is the same for every seat."""
    return of_seat(axis, seats_of(axis)[0])


def capture_name(switch: TrimSwitch, what: str = "") -> str:
    """Return the name of a capture of one direction of an axis."""
    return f"{switch.axis}-{switch.direction}{'-' if what else ''}{what}"


def _levels_a(setup: Setup, axis: TrimAxis) -> list[float]:
    points = count(setup, "points", 5)
    return [round(float(level), 3) for level in np.linspace(LEAST_A, axis.rated_current_a, points)]


def _duration_s(setup: Setup) -> float:
    return 2.0 * LEAD_S + ON_S + STEP_S * count(setup, "points", 5) + OFF_S


def _expected(setup: Setup) -> tuple[tuple[str, float], ...]:
    """Return the uncertainties of a line through drops of a bridge that is a resistor, the middle one furthest off."""
    volts, bridge_ohm = bus_voltage_v(setup), typical(setup, "trim-bridge-resistance")
    off_v = typical(setup, "trim-drop-linearity") or LEAST_OFF_V
    samples = round(RATE_HZ * 0.5 * STEP_S)
    slopes, furthest = [], []
    for axis in drawn_axes(setup):
        levels = _levels_a(setup, axis)
        currents, drops = [], []
        for place, level_a in enumerate(levels):
            drop_v = bridge_ohm * level_a + (off_v if place == len(levels) // 2 else 0.0)
            step = f"step {place}"
            output = reading(setup, voltage_signal(axis.name), volts - drop_v, samples=samples, when=step)
            currents.append(reading(setup, f"{axis.name}.current", level_a, samples=samples, when=step))
            drops.append(difference(reading(setup, "unit.voltage", volts, samples=samples, when=step), output))
        slope, off = line_through(currents, drops)
        slopes.append(slope)
        furthest.append(off)
    return ("trim-bridge-resistance", worst(*slopes)), ("trim-drop-linearity", worst(*furthest))
