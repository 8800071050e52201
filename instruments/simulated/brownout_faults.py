"""What a unit may do wrongly once a brownout is over: twitch, drive on, hang, forget what it was set to.

A brownout is over where motion is free again after a lock-out, or where the unit starts after a reset. A good unit has
none of this: every quantity is 0.
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from instruments.simulated.agenda import to_ns
from instruments.simulated.draw import keyed_uniform


class Pulse(NamedTuple):
    """A drive that nobody commanded."""

    axis: str
    direction: int
    duration_ns: int


class BrownoutFaults:
    """Those of one unit; what it drove when the brownout began is remembered for an axis that drives on."""

    def __init__(self, axes: Iterable[str], quantities: Mapping[str, float], seed: int) -> None:
        self._seed = seed
        self._axes = tuple(axes)
        self._twitch_ns = {name: to_ns(quantities[f"{name}.twitch_s"]) for name in self._axes}
        self._twitch_part = {name: quantities[f"{name}.twitch_part"] / 100.0 for name in self._axes}
        self._resumes_ns = {name: to_ns(quantities[f"{name}.resumes_s"]) for name in self._axes}
        self._forgets = round(quantities["unit.forgets_settings"])
        self._drove: dict[str, int] = {}
        self._brownouts = 0
        self.hang_ns = to_ns(quantities["unit.hang_s"])
        self.settings_off = 0  # added to every setting it reports, from the first reset on

    def begin(self, driving: Mapping[str, int]) -> None:
        """Take note of a lock-out or a reset, and of the direction in which each axis drove up to it, 0 for none."""
        self._drove.update({name: direction for name, direction in driving.items() if direction})

    def reset(self) -> None:
        """Take note of a reset."""
        self.settings_off = self._forgets

    def over(self, *, after_reset: bool) -> tuple[Pulse, ...]:
        """Return what drives now that a brownout is over; a twitch comes in its part of all brownouts."""
        self._brownouts += 1
        found = [
            Pulse(name, 1, self._twitch_ns[name])
            for name in self._axes
            if self._twitch_ns[name]
            and keyed_uniform(0.0, 1.0, self._seed, "twitch", name, self._brownouts) < self._twitch_part[name]
        ]
        if after_reset:
            found += [
                Pulse(name, self._drove[name], self._resumes_ns[name])
                for name in self._axes
                if self._resumes_ns[name] and name in self._drove
            ]
        self._drove.clear()
        return tuple(found)
