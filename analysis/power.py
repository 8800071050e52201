"""Whether the bench's own figures agree with each other, and who is to blame for a disturbed supply.

Pure arithmetic on estimates taken in steady windows. Shared channels keep their correlation, so a residue's
uncertainty holds zero errors once and not twice.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.line_fit import fit_line
from analysis.measurement import Doubt
from analysis.uncertainty import Estimate, difference, product, ratio, total
from analysis.verdict import Cause

STEADY_V_PER_S = 0.1
AGREES_WITHIN_U = 3.0
LIMITING_FRACTION = 0.97
ADEQUATE_LIMIT = 1.3  # times what a conforming unit draws


@dataclass(frozen=True, slots=True, kw_only=True)
class Consistency:
    """One check of two ways to know the same quantity.

    `agrees` is None where it can't be told: the residue is not finite, or rests on a doubtful reading.
    """

    name: str
    residue: Estimate
    agrees: bool | None


def checked(name: str, residue: Estimate) -> Consistency:
    """Return whether a residue is explained by its uncertainty: within 3 u."""
    u = residue.standard_uncertainty
    if residue.doubts or not (math.isfinite(residue.value) and math.isfinite(u)):
        return Consistency(name=name, residue=residue, agrees=None)
    return Consistency(name=name, residue=residue, agrees=abs(residue.value) <= AGREES_WITHIN_U * u)


def slope_v_per_s(voltage_v: NDArray[np.float64], sample_rate_hz: float) -> float:
    """Return the slope of the least-squares line through samples, shape (n,); NaN for fewer than two."""
    n = len(voltage_v)
    if n < 2:
        return math.nan
    return fit_line(np.arange(n, dtype=np.float64), voltage_v).slope * sample_rate_hz


def is_steady(voltage_v: NDArray[np.float64], sample_rate_hz: float) -> bool:
    """Say whether a window is steady, |dV/dt| < 0.1 V/s, so that capacitors draw nothing that matters."""
    return bool(abs(slope_v_per_s(voltage_v, sample_rate_hz)) < STEADY_V_PER_S)


def lead_resistance(supply_v: Estimate, unit_v: Estimate, current_a: Estimate) -> Estimate:
    """Return the resistance of both leads, (V at the supply - V at the pins) / I, in ohm."""
    return ratio(difference(supply_v, unit_v), current_a)


def leads_agree(supply_v: Estimate, unit_v: Estimate, current_a: Estimate, leads_ohm: Estimate) -> Consistency:
    """Check V at the supply less I times lead resistance against V at the pins; residue in V."""
    drop = product(current_a, leads_ohm)
    return checked("supply voltage less lead drop against pins", difference(difference(supply_v, drop), unit_v))


def readback_agrees(readback_a: Estimate, shunt_a: Estimate) -> Consistency:
    """Check the supply's current read-back against the DAQ's shunt; residue in A."""
    return checked("supply read-back against shunt", difference(readback_a, shunt_a))


def legs_agree(positive_a: Estimate, negative_a: Estimate, direct_returns_a: Sequence[Estimate] = ()) -> Consistency:
    """Check the positive leg against the negative leg plus currents known to return another way; residue in A."""
    return checked("positive leg against negative leg", difference(positive_a, total(negative_a, *direct_returns_a)))


def branch_agrees(current_a: Estimate, voltage_v: Estimate, load_ohm: Estimate) -> Consistency:
    """Check a branch current against V / R of its calibrated load; residue in A."""
    return checked("branch current against V/R of its load", difference(current_a, ratio(voltage_v, load_ohm)))


def consistency_doubts(checks: Sequence[Consistency]) -> tuple[Doubt, ...]:
    """Return a doubt, cause bench, for every check whose figures contradict each other."""
    return tuple(
        Doubt(
            reason=f"{check.name}: differ by {check.residue.value:.3g}, more than {AGREES_WITHIN_U:g} times the "
            f"uncertainty {check.residue.standard_uncertainty:.2g}",
            cause=Cause.BENCH,
            next_step="check the leads, the sense lines and both instruments",
        )
        for check in checks
        if check.agrees is False
    )


def limiting_samples(
    current_a: NDArray[np.float64],
    regulated_v: NDArray[np.float64],
    *,
    limit_a: float,
    set_v: float | NDArray[np.float64],
    tolerance_v: float,
) -> NDArray[np.int64]:
    """Return the indices of samples at which the supply limits current: I >= 0.97 limit and V below what was set.

    Args:
        current_a: positive leg, shape (n,).
        regulated_v: where the supply senses what it regulates, shape (n,), same instants.
        limit_a: current limit in force.
        set_v: voltage set, one for all or one for each sample.
        tolerance_v: how far below `set_v` an unlimited supply may read (setting and reading bounds together).
    """
    return np.flatnonzero((current_a >= LIMITING_FRACTION * limit_a) & (regulated_v < set_v - tolerance_v))


def limiting_doubt(*, limit_a: float, conforming_a: float, gone_when_isolated: bool | None = None) -> Doubt:
    """Say whose doing it is that the supply's limit was reached.

    A limit below 1.3 times what a conforming unit draws was set too low: bench. An adequate limit that is still
    reached is a finding about the draw, decided by isolating the unit.
    """
    if not limit_a >= ADEQUATE_LIMIT * conforming_a:
        return Doubt(
            reason=f"the supply reached its limit of {limit_a:.3g} A, which is below {ADEQUATE_LIMIT:g} times the "
            f"{conforming_a:.3g} A that a conforming unit may draw",
            cause=Cause.BENCH,
            next_step=f"set the current limit to at least {ADEQUATE_LIMIT * conforming_a:.3g} A",
        )
    return isolation_doubt(
        f"the draw reached the supply's limit of {limit_a:.3g} A; a conforming unit takes at most {conforming_a:.3g} A",
        gone_when_isolated=gone_when_isolated,
        deciding_step="open the contactor and see whether the supply still limits",
    )


def isolation_doubt(fault: str, *, gone_when_isolated: bool | None, deciding_step: str, pin: str = "") -> Doubt:
    """Attribute a disturbed stimulus or supply by what it did with the unit isolated.

    Fault gone: the unit's, proved. Fault stays: the bench's. Not isolated (None): undecided, and the step that decides.
    `pin`: as in `Doubt`.
    """
    if gone_when_isolated is None:
        reason = f"{fault}; the unit was not isolated"
        return Doubt(reason=reason, cause=Cause.UNDECIDED, next_step=deciding_step, pin=pin)
    if gone_when_isolated:
        return Doubt(reason=f"{fault}; gone with the unit isolated", cause=Cause.UNIT, pin=pin)
    return Doubt(
        reason=f"{fault}; the same with the unit isolated", cause=Cause.BENCH, next_step="repair the bench and repeat"
    )
