"""A brushed motor told from its own start: resistance, inductance, back-EMF and inertia, with their uncertainty.

    v = R i + L di/dt + e        de/dt = a i - g e        e: back-EMF, a = k^2 / J, g = b / J

(the armature equations of any textbook on electric machines, with k volts per rad/s and newton metres per ampere, J
inertia and b friction by speed). Integrated once they need no derivative of noisy samples:

    S v = c + R S i + L i + a S (S i - r S e)        S: integral from the first sample of the fit

which is linear in R, L and a. r = i / e is what the motor runs on, g = a r; S e = S v - R S i - L i comes from the
round before, the third one changes nothing any more. The constant c takes up that the drive began between two samples.
The back-EMF constant follows with the inertia that the motor's sheet states, k = sqrt(a J): speed is not seen.
Uncertainty after JCGM 100, 5.1.2: noise by the covariance of the fit, what the channels' gains and zeros do to each
figure by fitting again with the channel moved (JCGM 100, 5.1.3 note 2). Derived in this project, checked by simulation.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.uncertainty import Estimate, Source, Term, combined, ratio

ROUNDS = 3
LEAST_SAMPLES = 20
MOVED = 0.1  # of a bound: small enough for a straight line, large enough for the arithmetic
SAMPLING_PART = 0.0002  # of R, L and a: what integrals from 10 samples in an electrical time constant may be off by
LEAST_INDEPENDENT = 1e-4  # of a column, that the others do not tell already
NOTHING_TOLD = "motor: the current neither rises nor falls, so nothing can be told from it"

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorFigures:
    """What one start tells of a motor."""

    resistance_ohm: Estimate
    inductance_h: Estimate
    acceleration_v_per_a_s: Estimate  # k^2 / J: how fast the back-EMF grows by the current

    @property
    def electrical_s(self) -> Estimate:
        """Time constant L / R."""
        return ratio(self.inductance_h, self.resistance_ohm)

    def mechanical_s(self, series_ohm: float = 0.0) -> Estimate:
        """Return the time constant of its speed behind a stiff source, (R + series) / a."""
        value = (self.resistance_ohm.value + series_ohm) / self.acceleration_v_per_a_s.value
        pair = (
            (self.resistance_ohm, 1.0 / self.acceleration_v_per_a_s.value),
            (self.acceleration_v_per_a_s, -value / self.acceleration_v_per_a_s.value),
        )
        return combined(value, pair)

    def constant_v_s(self, inertia_kg_m2: Estimate) -> Estimate:
        """Return the back-EMF constant sqrt(a J) in V s, with the inertia that the motor's sheet states."""
        a = self.acceleration_v_per_a_s
        value = math.sqrt(a.value * inertia_kg_m2.value) if a.value > 0.0 else math.nan
        return combined(value, ((a, 0.5 * value / a.value), (inertia_kg_m2, 0.5 * value / inertia_kg_m2.value)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelErrors:
    """One channel: sources of its errors with what one of each moves its readings by, and the noise of a sample.

    `gain` moves a reading by its own value times the sensitivity, `zero` by the sensitivity.
    """

    gain: Term
    zero: Term
    noise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """A start from rest: samples of the motor's voltage and current taken together, from the first one driven.

    Args:
        voltage_v: at the motor's terminals, positive in the direction of the drive, shape (n,).
        current_a: into the motor in that direction, shape (n,).
        sample_rate_hz: of both.
        running_a: what it runs on in the end, in the same direction.
        running_v: the voltage then.
        name: which start, so that two starts do not share their noise.
    """

    voltage_v: Samples
    current_a: Samples
    sample_rate_hz: float
    running_a: float
    running_v: float
    name: str = ""


def motor_figures(start: Start, voltage: ChannelErrors, current: ChannelErrors) -> MotorFigures:
    """Return what a start tells of its motor.

    Raises:
        ValueError: too few samples, or samples from which nothing can be told (no current, or no rise of it).
    """
    found, solver = _fitted(start)
    covariance = _noise_covariance(start, found, solver, voltage.noise, current.noise)
    moved = {
        term.source: _moved(start, found, term, channel, gain=gain)
        for channel, errors in (("voltage", voltage), ("current", current))
        for term, gain in ((errors.gain, True), (errors.zero, False))
    }
    root = _root(covariance)
    group = f"noise of the fit {start.name}".rstrip()
    noise = [Source(name=f"{group} {i + 1}", standard_uncertainty=1.0, group=group) for i in range(3)]
    estimates = []
    for index, name in enumerate(("resistance", "inductance", "acceleration")):
        terms = [Term(source=source, sensitivity=float(change[index])) for source, change in moved.items()]
        terms += [Term(source=source, sensitivity=float(root[index, i])) for i, source in enumerate(noise)]
        sampling = Source(
            name=f"sampling of the {name} {start.name}".rstrip(),
            standard_uncertainty=SAMPLING_PART * abs(float(found[index])) / math.sqrt(3.0),
        )
        estimates.append(Estimate(value=float(found[index]), terms=(*terms, Term(source=sampling, sensitivity=1.0))))
    return MotorFigures(resistance_ohm=estimates[0], inductance_h=estimates[1], acceleration_v_per_a_s=estimates[2])


def back_emf(voltage_v: Samples, current_a: Samples, sample_rate_hz: float, figures: MotorFigures) -> Samples:
    """Return the back-EMF v - R i - L di/dt of a motor whose figures are known, shape (n,)."""
    slope = np.gradient(current_a) * sample_rate_hz
    found = voltage_v - figures.resistance_ohm.value * current_a - figures.inductance_h.value * slope
    return np.asarray(found, dtype=np.float64)


def _fitted(start: Start) -> tuple[Samples, Samples]:
    """Return (R, L, a) and the matrix that gives them from S v, shape (3, n)."""
    n = len(start.voltage_v)
    if n < LEAST_SAMPLES or len(start.current_a) != n:
        raise ValueError(f"motor: wants {LEAST_SAMPLES} samples or more of both, has {n} and {len(start.current_a)}")
    step_s = 1.0 / start.sample_rate_hz
    of_v, of_i = _integral(start.voltage_v, step_s), _integral(start.current_a, step_s)
    emf_integral, found, solver = np.zeros(n), np.zeros(3), np.zeros((3, n))
    for _ in range(ROUNDS):
        running_emf_v = start.running_v - found[0] * start.running_a
        loss = start.running_a / running_emf_v if running_emf_v > 0.0 else 0.0
        charge = _integral(of_i + _charge_before(start) - loss * emf_integral, step_s)
        matrix = np.column_stack((of_i, start.current_a, charge, np.ones(n)))
        scale = np.abs(matrix).max(axis=0)
        if not (scale > 0.0).all():
            raise ValueError(NOTHING_TOLD)
        orthogonal, triangle = np.linalg.qr(matrix / scale)
        if np.abs(np.diag(triangle)).min() < LEAST_INDEPENDENT:
            raise ValueError(NOTHING_TOLD)
        solver = np.linalg.solve(triangle, orthogonal.T) / scale[:, None]
        found = (solver @ of_v)[:3]
        emf_integral = of_v - found[0] * of_i - found[1] * (start.current_a - start.current_a[0])
    return found, np.asarray(solver[:3], dtype=np.float64)


def _charge_before(start: Start) -> float:
    """Return the charge between the beginning of the drive and the first sample, the current rising in a line."""
    slope_a_per_s = float(np.gradient(start.current_a[:3], edge_order=2)[0]) * start.sample_rate_hz
    return 0.5 * float(start.current_a[0]) ** 2 / slope_a_per_s if slope_a_per_s > 0.0 else 0.0


def _integral(values: Samples, step_s: float) -> Samples:
    """Return the integral from the first sample, by trapezoids with the end correction of Euler and Maclaurin."""
    slope = np.gradient(values, edge_order=2)
    sums = np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]))))
    return np.asarray(step_s * (sums - (slope - slope[0]) / 12.0), dtype=np.float64)


def _noise_covariance(start: Start, found: Samples, solver: Samples, noise_v: float, noise_a: float) -> Samples:
    """Return the covariance of (R, L, a) from independent noise of every sample, shape (3, 3).

    Noise n of the voltage moves S v by S n; noise n of the current moves the fit by R S n + L n + a S S n.
    """
    step_s = 1.0 / start.sample_rate_hz
    once = _summed(solver, step_s)
    twice = _summed(once, step_s)
    by_current = found[0] * once + found[1] * solver + found[2] * twice
    return np.asarray(noise_v**2 * once @ once.T + noise_a**2 * by_current @ by_current.T, dtype=np.float64)


def _summed(rows: Samples, step_s: float) -> Samples:
    """Return rows that act on samples as `rows` do on their integral: sums from every sample to the end."""
    return np.asarray(step_s * np.cumsum(rows[:, ::-1], axis=1)[:, ::-1], dtype=np.float64)


def _moved(start: Start, found: Samples, term: Term, channel: str, *, gain: bool) -> Samples:
    """Return how much one of a source moves (R, L, a), per unit of the source, by fitting again."""
    u = term.source.standard_uncertainty
    if u == 0.0 or term.sensitivity == 0.0:
        return np.zeros(3)
    part = MOVED * u
    change = term.sensitivity * part

    def move(values: Samples) -> Samples:
        return values * (1.0 + change) if gain else values + change

    voltage = channel == "voltage"
    running = np.array([start.running_v if voltage else start.running_a])
    again = Start(
        voltage_v=move(start.voltage_v) if voltage else start.voltage_v,
        current_a=start.current_a if voltage else move(start.current_a),
        sample_rate_hz=start.sample_rate_hz,
        running_a=start.running_a if voltage else float(move(running)[0]),
        running_v=float(move(running)[0]) if voltage else start.running_v,
    )
    return np.asarray((_fitted(again)[0] - found) / part, dtype=np.float64)


def _root(covariance: Samples) -> Samples:
    """Return a matrix whose rows, times independent sources of one, have this covariance."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)), dtype=np.float64)
