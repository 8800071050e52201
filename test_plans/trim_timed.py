"""What the timed trim procedures share: one capture per axis on a light load, a schedule of presses played in it."""

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Sequence

from analysis.measurement import Result
from test_plans.conditions import bus_voltage_v, current_limit_a
from test_plans.driving import Touch, apply_loads, axes_under_test, bring_up, drop_loads, play_touches
from test_plans.expected import typical
from test_plans.model_gaps import without_trim
from test_plans.procedure import Evidence, Needs, NotForModel
from test_plans.readings import Record
from test_plans.rig import Rig
from test_plans.sampled_time import interval
from test_plans.sheets import Setup, TrimAxis
from test_plans.switch_lines import trim_lines
from test_plans.trim_bench import LIGHT, RATE_HZ, axis_capture, axis_functions, axis_signals, light_load, light_needs

LIMIT_A = 0.5
TAIL_S = 0.2


class TimedTrim(ABC):
    """A procedure that plays presses axis by axis and looks at what the output does.

    A subclass says which axes it can serve, what is pressed when, and what follows from the record.
    """

    name: str
    title: str
    limits: tuple[str, ...] = ()  # of times between two instants of the samples, or of `instants`
    instants: int = 2

    @abstractmethod
    def schedule(self, setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:
        """Return what is pressed on an axis; pure, and the same again for `evaluate`."""

    @abstractmethod
    def results(self, record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Result]:
        """Give the results of one axis from its capture."""

    def serves(self, axis: TrimAxis) -> bool:  # noqa: ARG002
        """Say whether there is something to test on an axis."""
        return True

    def axes(self, setup: Setup) -> tuple[TrimAxis, ...]:
        """Return the axes under test that it serves."""
        return tuple(axis for axis in axes_under_test(setup) if self.serves(axis))

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why a model gives it nothing to do."""
        gap = without_trim(setup)
        if gap is not None or any(self.serves(axis) for axis in setup.unit.trims):
            return gap
        return NotForModel(reason=f"model {setup.unit.model} has no trim axis with two seats")

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the axes under test."""
        return tuple(name for name in axis_functions(setup) if name in {axis.function for axis in self.axes(setup)})

    def needs(self, setup: Setup) -> Needs:
        """Return one capture per axis."""
        volts = bus_voltage_v(setup)
        captures = tuple(
            axis_capture(setup, axis, volts, axis.name, duration_s(self.schedule(setup, axis)))
            for axis in self.axes(setup)
        )
        return light_needs(setup, volts, current_limit_a(setup, LIGHT, LIMIT_A), captures, self.expected(setup))

    def expected(self, setup: Setup) -> tuple[tuple[str, float], ...]:
        """Return its limits with the uncertainty that a time has there."""
        return tuple((key, expected_time(setup, key, instants=self.instants)) for key in self.limits)

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Play the schedule of each axis, one axis after the other."""
        bring_up(rig, setup, voltage_v=bus_voltage_v(setup), current_limit_a=current_limit_a(setup, LIGHT, LIMIT_A))
        for axis in self.axes(setup):
            apply_loads(rig, [(axis.name, light_load(setup))])
            take(rig, setup, axis, axis.name, self.schedule(setup, axis))
            drop_loads(rig, [axis.name])

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the results of every axis."""
        for axis in self.axes(setup):
            yield from self.results(Record(evidence, axis.name), setup, axis)


def expected_time(setup: Setup, key: str, *, instants: int = 2) -> float:
    """Return the uncertainty of a time by the samples of `RATE_HZ`, for the limit `key`."""
    value_s, clock_bound = typical(setup, key), setup.bench.clock_bound
    return interval(value_s, sample_rate_hz=RATE_HZ, clock_bound=clock_bound, instants=instants).standard_uncertainty


def take(rig: Rig, setup: Setup, axis: TrimAxis, name: str, touches: Sequence[Touch]) -> None:
    """Capture an axis while these presses are made."""
    with rig.capture(name, axis_signals(axis), sample_rate_hz=RATE_HZ, lines=trim_lines(setup.unit)) as session:
        play_touches(session, touches)
        session.wait_until(duration_s(touches))


def duration_s(touches: Sequence[Touch]) -> float:
    """Return the length of a capture that holds these presses and what follows the last."""
    return max((touch.opened_s for touch in touches), default=0.0) + TAIL_S
