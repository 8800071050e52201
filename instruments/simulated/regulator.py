"""The regulation loop of a hold-up converter after a step of its load: two states, solved in closed form.

The loop delivers x + g (level - c) into the output capacitor, c the volts of the capacitance C proper behind its series
resistance r, which the loop does not feel: g, the gain, gives the bandwidth g / (2 pi C), and x takes up what the load
wants by itself, dx/dt = k (level - droop i - c) with k = g over the recovery time. The load is a resistor to a voltage.
Linear, so the pin is its end value and two exponentials more.
Not modelled: saturation of the loop, the delay of a boost stage, a bandwidth that depends on bus and load.
"""

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from instruments.simulated.sampling import Swing

SETTLED_V = 1e-7  # a swing below this has died away
LEAST_SPLIT = 1e-6  # relative: two rates are kept apart by this, so that their modes are never one


@dataclass(frozen=True, slots=True)
class OutputLoad:
    """What stands at an output: a conductance that leads to a voltage, ground or a source of the bench."""

    conductance_s: float = 0.0
    behind_v: float = 0.0

    def current_at(self, voltage_v: float) -> float:
        """Return what it draws; negative where it feeds."""
        return self.conductance_s * (voltage_v - self.behind_v)


class LoopState(NamedTuple):
    """What the loop remembers: the volts of the capacitor proper, and the current it has taken up."""

    capacitor_v: float
    taken_up_a: float


class Regulator:
    """Output capacitor and loop of one converter."""

    def __init__(self, name: str, quantities: Mapping[str, float]) -> None:
        self.level_v = quantities[f"{name}.level_v"]
        self.capacitance_f = quantities[f"{name}.output_f"]
        self._droop_ohm = quantities[f"{name}.droop_ohm"]
        self._series_ohm = quantities[f"{name}.esr_ohm"]
        self._gain_s = 2.0 * math.pi * quantities[f"{name}.bandwidth_hz"] * self.capacitance_f
        self._rate_s2 = self._gain_s / quantities[f"{name}.recovery_s"]

    def steady_v(self, load: OutputLoad) -> float:
        """Return where the pin comes to rest."""
        drop = self._droop_ohm * load.conductance_s
        return (self.level_v + drop * load.behind_v) / (1.0 + drop)

    def at_rest(self, load: OutputLoad, above_v: float = 0.0) -> LoopState:
        """Return the state that stays as it is, or that comes down to it from `above_v` higher."""
        steady_v = self.steady_v(load)
        taken_up_a = load.current_at(steady_v) - self._gain_s * (self.level_v - steady_v)
        return LoopState(steady_v + above_v, taken_up_a + self._gain_s * above_v)

    def source(self, state: LoopState) -> tuple[float, float]:
        """Return what the pin is to a load at this instant: volts behind ohms."""
        delivered_a = state.taken_up_a + self._gain_s * (self.level_v - state.capacitor_v)
        return state.capacitor_v + self._series_ohm * delivered_a, self._series_ohm

    def course(self, state: LoopState, load: OutputLoad) -> "LoopCourse":
        """Return how the loop goes on from a state with this load."""
        steady, conductance_s = self.at_rest(load), load.conductance_s
        # What the pin shows of a deviation of either state.
        share = 1.0 / (1.0 + self._series_ohm * conductance_s)
        shown_v, shown_a = share * (1.0 - self._series_ohm * self._gain_s), share * self._series_ohm
        # d/dt of (capacitor, taken up) from their end values, a matrix ((a, b), (c, d))
        a = -(self._gain_s + conductance_s * shown_v) / self.capacitance_f
        b = (1.0 - conductance_s * shown_a) / self.capacitance_f
        drop = self._droop_ohm * conductance_s
        c, d = -self._rate_s2 * (1.0 + drop * shown_v), -self._rate_s2 * drop * shown_a
        root = cmath.sqrt(0.25 * (a - d) ** 2 + b * c)
        if abs(root) < LEAST_SPLIT * abs(a):
            root = complex(LEAST_SPLIT * abs(a))
        rates = (0.5 * (a + d) + root, 0.5 * (a + d) - root)
        volts, amps = state.capacitor_v - steady.capacitor_v, state.taken_up_a - steady.taken_up_a
        # Each mode has the direction (b, rate - a); its amount follows from both states at the start.
        first = (amps - (rates[1] - a) * volts / b) / (rates[0] - rates[1])
        modes = tuple(
            _Mode(rate, amount * b, amount * (rate - a))
            for rate, amount in zip(rates, (first, volts / b - first), strict=True)
        )
        return LoopCourse(self.steady_v(load), steady, modes, (shown_v, shown_a))


class _Mode(NamedTuple):
    rate_per_s: complex
    capacitor_v: complex
    taken_up_a: complex


@dataclass(frozen=True, slots=True)
class LoopCourse:
    """The loop from a change of its load on, time counted from there."""

    steady_v: float
    steady: LoopState
    modes: tuple[_Mode, ...]
    shown: tuple[float, float]  # by the pin of a deviation of either state

    @property
    def swings(self) -> tuple[Swing, ...]:
        """What the pin shows besides its end value."""
        of_v, of_a = self.shown
        swings = tuple(Swing(of_v * mode.capacitor_v + of_a * mode.taken_up_a, mode.rate_per_s) for mode in self.modes)
        return tuple(swing for swing in swings if abs(swing.amplitude) > SETTLED_V)

    @property
    def lasts_s(self) -> float:
        """How long anything of it is left."""
        return max(
            (math.log(abs(swing.amplitude) / SETTLED_V) / -swing.rate_per_s.real for swing in self.swings), default=0.0
        )

    def state(self, dt_s: float) -> LoopState:
        """Return its state so long after its start."""
        volts = sum((mode.capacitor_v * cmath.exp(mode.rate_per_s * dt_s)).real for mode in self.modes)
        amps = sum((mode.taken_up_a * cmath.exp(mode.rate_per_s * dt_s)).real for mode in self.modes)
        return LoopState(self.steady.capacitor_v + volts, self.steady.taken_up_a + amps)
