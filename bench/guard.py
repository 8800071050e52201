"""What ends a stimulus at once: amps or volts beyond what was set, motion nobody commanded, frozen samples.

Pure bookkeeping over sample blocks: the rig hands them in, and what it raises ends the stimulus.
"""

from bisect import insort
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.capture import CODE_MAX, CODE_MIN
from analysis.verdict import Cause
from bench.errors import AbortError

OVER_CURRENT_S = 0.050
OVER_VOLTAGE_V = 0.3
OVER_VOLTAGE_S = 0.500  # longer than the unit takes to follow a fall of the bus
MOTION_GRACE_S = 0.300  # debounce, scan and the motor's own decay, with room
MOTION_CURRENT_A = 0.100
MOTION_S = 0.200
STALE_S = 0.500
COMMANDS_KEPT_S = 2.0  # longer than samples are under way


@dataclass(slots=True, kw_only=True)
class MotionCommands:
    """When each axis was commanded, as (bench time, switch, closed) in order of time."""

    changes: list[tuple[float, str, bool]] = field(default_factory=list)

    def add(self, time_s: float, switch: str, *, closed: bool) -> None:
        """Take note of a switch that closes or opens at `time_s`, which may be to come."""
        insort(self.changes, (time_s, switch, closed), key=lambda change: change[0])

    def commanded(self, switches: Sequence[str], from_s: float, to_s: float) -> bool:
        """Say whether any of the switches was closed at any time in the stretch."""
        closed: set[str] = set()
        for time_s, switch, is_closed in self.changes:
            if switch not in switches:
                continue
            if time_s >= from_s and (closed or (is_closed and time_s <= to_s)):
                return True
            if time_s > to_s:
                break
            if is_closed:
                closed.add(switch)
            else:
                closed.discard(switch)
        return bool(closed)

    def forget_before(self, time_s: float) -> None:
        """Fold changes before `time_s` into the last one of each switch."""
        last: dict[str, tuple[float, str, bool]] = {}
        kept = []
        for change in self.changes:
            if change[0] < time_s:
                last[change[1]] = change
            else:
                kept.append(change)
        self.changes = sorted([*last.values(), *kept], key=lambda change: change[0])


class Guard:
    """Watches the blocks of one capture after the other."""

    def __init__(self, axis_switches: Mapping[str, Sequence[str]], commands: MotionCommands) -> None:
        self._axis_switches = axis_switches
        self._commands = commands
        self.current_limit_a = float("inf")
        self.set_voltage_v = float("inf")  # what the unit is given; inf while it is given nothing
        self._above_s = 0.0
        self.armed = False
        self._over_s: dict[str, float] = {}
        self._moving_s: dict[str, float] = {}
        self._frozen_s: dict[str, float] = {}

    def begin(self) -> None:
        """Start afresh with a new capture."""
        self._over_s = {}
        self._above_s = 0.0
        self._moving_s = {}
        self._frozen_s = {}

    def check_frozen(self, names: Sequence[str], codes: NDArray[np.int16], rate_hz: float) -> None:
        """Hold one block of codes, shape (n, n_channels), against readings that never change.

        A channel at an end of its range is over range, not frozen: that is for whoever evaluates it.

        Raises:
            AbortError: a channel has shown the same code for half a second.
        """
        frozen_before_s, self._frozen_s = self._frozen_s, {}
        for index in np.flatnonzero(codes[0] == codes[-1]).tolist():  # the others are lively, and nearly all are
            column, name = codes[:, index], names[index]
            if column.min() != column.max() or int(column[0]) in {CODE_MIN, CODE_MAX}:
                continue
            frozen_s = self._frozen_s[name] = frozen_before_s.get(name, 0.0) + column.size / rate_hz
            if frozen_s > STALE_S:
                raise AbortError(
                    f"{name}: the same reading for {frozen_s:.2f} s, to the last bit: the channel is stuck. "
                    "Check the DAQ input and its wiring.",
                    Cause.BENCH,
                    suspect=name,
                )

    def check(
        self,
        signals: Mapping[str, NDArray[np.float64]],
        start_s: float,
        rate_hz: float,
        closed: Collection[str] = (),
    ) -> None:
        """Hold one block (signal name -> values, shape (n,)) against what must not be.

        `closed` names the switch lines sampled with it that read closed at any time: motion while a line of the axis
        stands closed that nobody closed is not the unit's own.

        Raises:
            AbortError: over-current, more volts than were set, or uncommanded motion.
        """
        for name in ("unit.current", "unit.current.high"):
            if name in signals:
                self._check_current(name, signals[name], rate_hz)
        if "unit.voltage" in signals:
            self._check_voltage(signals["unit.voltage"], rate_hz)
        for axis, switches in self._axis_switches.items():
            current = signals.get(f"{axis}.current")
            if current is not None and self.armed:
                stray = [switch for switch in switches if switch in closed]
                self._check_motion(axis, current, start_s, rate_hz, stray)

    def _check_current(self, name: str, current_a: NDArray[np.float64], rate_hz: float) -> None:
        allowed_a = 1.05 * self.current_limit_a + 0.1
        over = _median_above(current_a, allowed_a)
        self._over_s[name] = self._over_s.get(name, 0.0) + current_a.size / rate_hz if over else 0.0
        if self._over_s[name] > OVER_CURRENT_S:
            raise AbortError(
                f"{name}: {float(np.median(current_a)):.2f} A flows where the supply was set to limit at "
                f"{self.current_limit_a:.2f} A. Check the supply's current limit.",
                Cause.BENCH,
            )

    def _check_voltage(self, voltage_v: NDArray[np.float64], rate_hz: float) -> None:
        """End it when the unit gets more than was set; less is judged by whoever evaluates, who knows the load."""
        above = _median_above(voltage_v, self.set_voltage_v + OVER_VOLTAGE_V)
        self._above_s = self._above_s + voltage_v.size / rate_hz if above else 0.0
        if self._above_s > OVER_VOLTAGE_S:
            raise AbortError(
                f"unit.voltage: {float(np.median(voltage_v)):.2f} V at the unit's pins where "
                f"{self.set_voltage_v:.2f} V was set. Check the supply and its sense leads.",
                Cause.BENCH,
            )

    def _check_motion(
        self,
        axis: str,
        current_a: NDArray[np.float64],
        start_s: float,
        rate_hz: float,
        closed: Sequence[str],
    ) -> None:
        end_s = start_s + current_a.size / rate_hz
        moving = _median_above(np.abs(current_a), MOTION_CURRENT_A)
        if not moving or self._commands.commanded(self._axis_switches[axis], start_s - MOTION_GRACE_S, end_s):
            self._moving_s[axis] = 0.0
            return
        self._moving_s[axis] = self._moving_s.get(axis, 0.0) + current_a.size / rate_hz
        if self._moving_s[axis] > MOTION_S:
            seen = (
                f"{axis}: {float(np.median(np.abs(current_a))):.2f} A through the motor output for "
                f"{self._moving_s[axis]:.2f} s"
            )
            if closed:
                raise AbortError(
                    f"{seen} while {', '.join(closed)} reads closed though nobody closed it. "
                    "Unplug the unit and read the line again (bench-check): still closed, it is the bench's.",
                    Cause.UNDECIDED,
                )
            raise AbortError(f"{seen} with no switch closed: uncommanded motion.", Cause.UNIT)


def _median_above(values: NDArray[np.float64], bound: float) -> bool:
    """Say whether the median lies above the bound; where no value does, that is said without sorting them."""
    return bool(values.max() > bound and np.median(values) > bound)
