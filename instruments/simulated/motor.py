"""A brushed motor between two end stops: current, speed and angle in closed form from one event to the next.

    u = (R + r) i + L di/dt + k w        J dw/dt = k i - b w        (k: volts per rad/s and newton metres per ampere)

Behind a source u of resistance r both are a constant and two exponentials, whose rates are the eigenvalues of the
pair (real or conjugate). At a stop, seized, or held by a brake of the bench it does not turn and the current is one
exponential; it comes off the stop when the current pulls it away.
Not modelled: brush drop and commutation ripple, dry friction, cogging, saturation, heat, the spring of a gear (a stop
takes all speed at once), a load at the shaft.
"""

import cmath
import math
from typing import NamedTuple

from instruments.simulated.agenda import NS_PER_S
from instruments.simulated.parameters import MotorParameters
from instruments.simulated.sampling import Swing

SMALL_CURRENT_A = 1e-4  # nearer than this to where it goes, a current has arrived
LOOK_NS = 10_000  # near a stop it is looked at this often: what it overshoots is no more than it turns meanwhile
SPLIT = 1e-5  # eigenvalues closer than this part are taken apart by it, so that two exponentials always do


class State(NamedTuple):
    """What the motor carries over from one stretch to the next."""

    current_a: float  # into its plus terminal
    speed_rad_per_s: float
    angle_rad: float


class Course(NamedTuple):
    """A constant and exponentials, from the start of a stretch."""

    level: float
    swings: tuple[Swing, ...] = ()

    def at(self, dt_s: float) -> float:
        """Return the value `dt_s` after the start."""
        return self.level + math.fsum((swing.amplitude * _exp(swing.rate_per_s * dt_s)).real for swing in self.swings)

    def integral(self, dt_s: float) -> float:
        """Return the integral from the start to `dt_s` after it."""
        return self.level * dt_s + math.fsum(
            (swing.amplitude * (_exp(swing.rate_per_s * dt_s) - 1.0) / swing.rate_per_s).real for swing in self.swings
        )

    def reach(self) -> float:
        """Return what its magnitude never exceeds."""
        return abs(self.level) + self.unrest()

    def unrest(self) -> float:
        """Return how far from its constant it may be at the start."""
        return math.fsum(abs(swing.amplitude) for swing in self.swings)


class Motor:
    """One motor; every call but `begin` looks at the stretch that began last."""

    def __init__(self, parameters: MotorParameters, *, angle_rad: float = 0.0) -> None:
        self.parameters = parameters
        self.start_ns = 0
        self.current = Course(0.0)
        self.speed = Course(0.0)
        self._angle_rad = angle_rad
        self.braked = False  # a brake of the bench holds its rotor
        self._stop = 0  # -1, +1: it stands against that end of its travel
        self._rates: dict[float, tuple[complex, complex]] = {}

    def at(self, now_ns: int) -> State:
        """Return the state at an instant of the present stretch."""
        dt_s = (now_ns - self.start_ns) / NS_PER_S
        return State(self.current.at(dt_s), self.speed.at(dt_s), self._angle_rad + self.speed.integral(dt_s))

    def begin(self, now_ns: int, source_v: float, series_ohm: float) -> None:
        """Begin a stretch behind a source; current, speed and angle go on from where they are."""
        before = self.at(now_ns)
        self.start_ns, self._angle_rad = now_ns, before.angle_rad
        ohm = self.parameters.resistance_ohm + series_ohm
        if self.parameters.seized or self.braked or self._held(before, source_v):
            self._stand(before.current_a, source_v, ohm)
        else:
            self._stop = 0
            self._turn(before, source_v, ohm)

    def next_event_ns(self) -> int | None:
        """Return when to begin the next stretch because of a stop: it may be reached, or is left; None for never."""
        if self.parameters.seized or self.braked:
            return None
        if self._stop:
            return self._comes_off_ns()
        reach, travel_rad = self.speed.reach(), self.parameters.travel_rad
        ways = (self.speed.level, self.speed.at(0.0))
        near_rad = min(
            travel_rad - self._angle_rad if max(ways) > 0.0 else math.inf,
            self._angle_rad if min(ways) < 0.0 else math.inf,
        )
        if reach == 0.0 or math.isinf(near_rad):
            return None
        # No sooner than this it can be there; then it is looked at again.
        return self.start_ns + max(LOOK_NS, math.floor(near_rad / reach * NS_PER_S))

    def _held(self, state: State, source_v: float) -> bool:
        """Say whether a stop holds it: it stands there, or comes there now, and is not pulled away."""
        travel_rad = self.parameters.travel_rad
        if state.speed_rad_per_s > 0.0 and state.angle_rad >= travel_rad:
            self._stop, self._angle_rad = 1, travel_rad
        elif state.speed_rad_per_s < 0.0 and state.angle_rad <= 0.0 and not math.isinf(travel_rad):
            self._stop, self._angle_rad = -1, 0.0
        pull = state.current_a if abs(state.current_a) > SMALL_CURRENT_A else source_v
        return self._stop != 0 and pull * self._stop >= 0.0

    def _comes_off_ns(self) -> int | None:
        """Return when the current changes its direction and pulls it off its stop."""
        swing, level = self.current.swings[0], self.current.level
        if level * self._stop >= 0.0:
            return None
        if (level + swing.amplitude.real) * self._stop <= 0.0:
            return self.start_ns + 1
        after_s = math.log(-level / swing.amplitude.real) / swing.rate_per_s.real
        return self.start_ns + 1 + math.ceil(after_s * NS_PER_S)

    def _stand(self, current_a: float, source_v: float, ohm: float) -> None:
        level_a = source_v / ohm
        self.current = Course(level_a, (Swing(current_a - level_a, -ohm / self.parameters.inductance_h),))
        self.speed = Course(0.0)

    def _turn(self, before: State, source_v: float, ohm: float) -> None:
        one, two = self._eigenvalues(ohm)
        motor, current_a, speed = self.parameters, before.current_a, before.speed_rad_per_s
        stiffness = ohm * motor.friction_n_m_s + motor.constant_v_s**2
        slope_a = (source_v - ohm * current_a - motor.constant_v_s * speed) / motor.inductance_h
        slope_rad = (motor.constant_v_s * current_a - motor.friction_n_m_s * speed) / motor.inertia_kg_m2
        self.current = _course(source_v * motor.friction_n_m_s / stiffness, current_a, slope_a, one, two)
        self.speed = _course(source_v * motor.constant_v_s / stiffness, speed, slope_rad, one, two)

    def _eigenvalues(self, ohm: float) -> tuple[complex, complex]:
        """Return both eigenvalues of (i, w), never quite equal."""
        if ohm not in self._rates:
            motor = self.parameters
            electric, mechanic = ohm / motor.inductance_h, motor.friction_n_m_s / motor.inertia_kg_m2
            product = electric * mechanic + motor.constant_v_s**2 / (motor.inductance_h * motor.inertia_kg_m2)
            half = 0.5 * (electric + mechanic)
            root = cmath.sqrt(half * half - product)
            if abs(root) < SPLIT * half:
                root = complex(SPLIT * half)
            fast = -(half + root)
            self._rates[ohm] = (product / fast, fast)  # the slow one without the loss of a difference
        return self._rates[ohm]


def _course(level: float, start: float, slope_per_s: float, one: complex, two: complex) -> Course:
    """Return the course that begins at a value with a slope and ends at a level."""
    swing = start - level
    second = (slope_per_s - one * swing) / (two - one)
    return Course(level, (Swing(swing - second, one), Swing(second, two)))


def _exp(exponent: complex) -> complex:
    return cmath.exp(exponent) if exponent.real > -700.0 else 0j
