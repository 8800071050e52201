"""All trim axes on their loads at once, against each alone: what a shared feed or ground costs the others."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from analysis.measurement import Doubt, Measurement, Observation, Result
from analysis.uncertainty import Estimate, difference
from analysis.verdict import Cause
from test_plans.bus_standing import supply_doubts
from test_plans.conditions import bus_voltage_v, current_limit_a
from test_plans.driving import LEAD_S, Touch, apply_loads, axes_under_test, bring_up, drop_loads, play_touches
from test_plans.expected import reading, typical, worst
from test_plans.model_gaps import without_trim
from test_plans.procedure import CaptureNeed, Evidence, Needs, NotForModel
from test_plans.readings import Record, doubted, magnitude
from test_plans.rig import Rig
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import axis_functions, load_name, trim_needs
from test_plans.trim_drive import seats_of
from test_plans.trim_loaded import expected_drop
from test_plans.trim_switches import DRIVES_FROM, Held, drop_of, duty_doubts, line_doubts, pulsed_doubts

RATE_HZ = 5000.0
HOLD_S = 0.4
PAUSE_S = 0.25
SETTLE_S = 0.15
CAPTURE = "together"
CONDITION = "ground"  # all axes on their loads


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Switches held at the same time: one alone, or one of every axis."""

    switches: tuple[TrimSwitch, ...]
    pressed_s: float

    @property
    def released_s(self) -> float:
        """When they are let go."""
        return self.pressed_s + HOLD_S


class TrimTogether:
    """Change of every drop from alone to together: all one way, all the other, and neighbours opposed."""

    name = "trim-together"
    title = "Trim outputs: all axes at once"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        gap = without_trim(setup)
        if gap is not None or len(setup.unit.trims) > 1:
            return gap
        return NotForModel(reason=f"model {setup.unit.model} has one trim axis only")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return axis_functions(setup)

    def needs(self, setup: Setup) -> Needs:
        """Return one capture and a load on every axis."""
        volts = bus_voltage_v(setup)
        axes = axes_under_test(setup)
        signals = _signals(axes)
        capture = CaptureNeed(
            name=CAPTURE,
            signals=signals,
            lines=trim_lines(setup.unit),
            sample_rate_hz=RATE_HZ,
            duration_s=_duration_s(setup),
            highest_v={name: volts for name in signals if name.endswith(".voltage")},
        )
        return trim_needs(
            setup,
            (capture,),
            volts=volts,
            condition=CONDITION,
            limit_a=current_limit_a(setup, CONDITION, 7.0),
            load=load_name(setup),
            limits=(("trim-drop", expected_drop(setup)), ("trim-drop-together", _expected(setup))),
            switches=(switch for axis in axes for switch in _first_seat(axis)),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Hold each switch of the first seats alone, then one of every axis together."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, CONDITION, 7.0))
        axes = axes_under_test(setup)
        apply_loads(rig, [(axis.name, load_name(setup)) for axis in axes])
        with rig.capture(CAPTURE, _signals(axes), sample_rate_hz=RATE_HZ, lines=trim_lines(setup.unit)) as session:
            scenes = (*_alone(setup), *_together(setup))
            play_touches(
                session,
                [
                    Touch(switch=switch.name, closed_s=scene.pressed_s, opened_s=scene.released_s)
                    for scene in scenes
                    for switch in scene.switches
                ],
            )
            session.wait_until(_duration_s(setup))
        drop_loads(rig, [axis.name for axis in axes])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give for each axis that it drives in every company, and the largest change of its drop."""
        record = Record(evidence, CAPTURE)
        axes = {axis.name: axis for axis in axes_under_test(setup)}
        alone = {
            scene.switches[0].name: _drop(record, setup, axes, scene, scene.switches[0]) for scene in _alone(setup)
        }
        for axis in axes.values():
            yield _alone_drop(axis, [alone[switch.name] for switch in _first_seat(axis)])
            company = [
                (scene, switch) for scene in _together(setup) for switch in scene.switches if switch.axis == axis.name
            ]
            yield self._all_drive(record, setup, axis, company)
            changes = [
                (difference(_drop(record, setup, axes, scene, switch), alone[switch.name]), scene)
                for scene, switch in company
            ]
            yield _largest(axis, changes)

    def _all_drive(
        self, record: Record, setup: Setup, axis: TrimAxis, company: Sequence[tuple[Scene, TrimSwitch]]
    ) -> Observation:
        wrong, doubts = [], list(record.missing)
        for scene, switch in company if record.capture is not None else ():
            window = _window(scene)
            output, bus = record.mean(voltage_signal(axis.name), *window), record.mean("unit.voltage", *window)
            pulsed = pulsed_doubts(record, axis, *window, full_airspeed_kt=setup.unit.full_trim_airspeed_kt)
            doubts.extend((*output.doubts, *bus.doubts, *pulsed, *_scene_doubts(record, setup, scene)))
            driven_v = output.value * switch.polarity
            if not driven_v >= DRIVES_FROM * bus.value:
                wrong.append(f"{driven_v:.2f} V in the right direction with {_words(scene)}")
        return Observation(
            id=f"{axis.name}.together-drives",
            title=f"{axis.title}: drives while the others do",
            function=axis.function,
            statement="at least 90 % of the bus in the right direction, whatever the others do",
            trials=len(company) if record.capture is not None else 0,
            failures=len(wrong),
            detail="; ".join(wrong),
            doubts=tuple(dict.fromkeys(doubts)),
            captures=record.names,
            pins=(axis.plus_pin, axis.minus_pin),
        )


def _alone_drop(axis: TrimAxis, drops: Sequence[Estimate]) -> Measurement:
    """Return the larger drop of an axis that drives its load alone: of both directions, every doubt of either."""
    worst = max(drops, key=lambda drop: drop.value if math.isfinite(drop.value) else -math.inf)
    doubts = [doubt for drop in drops for doubt in drop.doubts]
    return doubted(worst, *doubts).measurement(
        id=f"{axis.name}.alone-drop",
        limit="trim-drop",
        title=f"{axis.title}: drop alone, the larger of both directions",
        function=axis.function,
        quantity_unit="V",
        pins=(axis.plus_pin, axis.minus_pin),
    )


def _largest(axis: TrimAxis, changes: Sequence[tuple[Estimate, Scene]]) -> Measurement:
    """Return the largest change of an axis's drop; every doubt of any of them stands."""
    doubts = [doubt for change, _ in changes for doubt in change.doubts]
    worst, scene = max(changes, key=lambda pair: abs(pair[0].value) if math.isfinite(pair[0].value) else -1.0)
    return doubted(worst, *doubts).measurement(
        id=f"{axis.name}.together-drop-change",
        limit="trim-drop-together",
        title=f"{axis.title}: drop with all axes driving, less drop alone",
        function=axis.function,
        quantity_unit="V",
        pins=(axis.plus_pin, axis.minus_pin),
        notes=(f"largest with {_words(scene)}",) if math.isfinite(worst.value) else (),
    )


def _expected(setup: Setup) -> float:
    """Return the uncertainty of a change of drop as large as is allowed: the offsets cancel, the noise does not."""
    volts, samples = bus_voltage_v(setup), round((HOLD_S - SETTLE_S) * RATE_HZ)
    alone_v, change_v = typical(setup, "trim-drop"), typical(setup, "trim-drop-together")
    found = []
    for axis in axes_under_test(setup):
        alone, together = (
            difference(
                reading(setup, "unit.voltage", volts, samples=samples, when=when),
                reading(setup, voltage_signal(axis.name), volts - drop_v, samples=samples, when=when),
            )
            for when, drop_v in (("alone", alone_v), ("together", alone_v + change_v))
        )
        found.append(difference(together, alone))
    return worst(*found)


def _drop(record: Record, setup: Setup, axes: Mapping[str, TrimAxis], scene: Scene, switch: TrimSwitch) -> Estimate:
    """Return the drop of one axis in a scene at its own load current."""
    axis, window = axes[switch.axis], _window(scene)
    drop = drop_of(record, axis, *window)
    if record.capture is None:
        return drop
    output = magnitude(record.mean(voltage_signal(axis.name), *window))
    wrong_way = record.mean(voltage_signal(axis.name), *window).value * switch.polarity <= 0.0
    reasons = [
        *output.doubts,
        *duty_doubts(record, axis, *window, full_airspeed_kt=setup.unit.full_trim_airspeed_kt),
        *_scene_doubts(record, setup, scene),
    ]
    if wrong_way and not reasons:
        reasons.append(Doubt(reason=f"{axis.title} did not drive with {_words(scene)}", cause=Cause.UNIT))
    return doubted(drop, *reasons)


def _scene_doubts(record: Record, setup: Setup, scene: Scene) -> Iterator[Doubt]:
    for switch in scene.switches:
        yield from line_doubts(record, Held(switch=switch, pressed_s=scene.pressed_s, released_s=scene.released_s))
    yield from supply_doubts(record, setup, CONDITION, *_window(scene))


def _alone(setup: Setup) -> tuple[Scene, ...]:
    switches = [switch for axis in axes_under_test(setup) for switch in _first_seat(axis)]
    return tuple(
        Scene(switches=(switch,), pressed_s=LEAD_S + place * (HOLD_S + PAUSE_S))
        for place, switch in enumerate(switches)
    )


def _together(setup: Setup) -> tuple[Scene, ...]:
    """Return all one way, all the other, neighbours opposed, and that the other way round."""
    pairs = [_first_seat(axis) for axis in axes_under_test(setup)]
    begin_s = LEAD_S + len(_alone(setup)) * (HOLD_S + PAUSE_S)
    found = []
    for place, turns in enumerate(((0, 0), (1, 1), (0, 1), (1, 0))):
        chosen = tuple(pair[turns[index % 2] % len(pair)] for index, pair in enumerate(pairs))
        found.append(Scene(switches=chosen, pressed_s=begin_s + place * (HOLD_S + PAUSE_S)))
    return tuple(found)


def _first_seat(axis: TrimAxis) -> tuple[TrimSwitch, ...]:
    """Return the switches of the seat with priority, the plus way first."""
    seat = seats_of(axis)[0]
    return tuple(sorted((s for s in axis.switches if s.seat == seat), key=lambda switch: -switch.polarity))


def _window(scene: Scene) -> tuple[float, float]:
    return scene.pressed_s + SETTLE_S, scene.released_s


def _words(scene: Scene) -> str:
    return ", ".join(f"{switch.axis} {switch.direction}" for switch in scene.switches)


def _signals(axes: Sequence[TrimAxis]) -> tuple[str, ...]:
    outputs = tuple(name for axis in axes for name in (voltage_signal(axis.name), f"{axis.name}.current"))
    return ("unit.voltage", "unit.current", "unit.current.high", *outputs)


def _duration_s(setup: Setup) -> float:
    return LEAD_S + (len(_alone(setup)) + len(_together(setup))) * (HOLD_S + PAUSE_S)
