"""Firmware, trim: which way each axis drives, from its seats' switches.

The seat of lowest rank that presses commands; both directions of one seat cancel; taking over from another
seat or reversing passes through a pause. A drive that lasts too long is cut off, and after that, after
lock-out and after a start a switch that is still held counts only once it was released.
A command acts one scan after its debounce.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from instruments.simulated.agenda import to_ns
from instruments.simulated.parameters import SwitchInput

HAND_OVER_NS = 30_000_000


class Contacts(Protocol):
    """The switch lines as firmware reads them."""

    def pressed(self, pin: str) -> bool:
        """Say whether a line stands at ground."""
        ...


class Command(NamedTuple):
    """Who drives which way."""

    rank: int
    direction: int


@dataclass(slots=True)
class DebouncedSwitch:
    """One switch line; `spent` until it is released."""

    parameters: SwitchInput
    scans: int
    pressed: bool = False
    spent: bool = False
    equal: int = 0

    def scan(self, at_ground: bool) -> None:
        """Take one scan."""
        if at_ground == self.pressed:
            self.equal = 0
            return
        self.equal += 1
        if self.equal >= self.scans:
            self.pressed, self.equal = at_ground, 0
            self.spent = self.spent and at_ground


class TrimAxis:
    """One axis: switches, priority, pause, cut-off."""

    def __init__(
        self, name: str, switches: Sequence[SwitchInput], quantities: Mapping[str, float], contacts: Contacts
    ) -> None:
        self.name = name
        self.switches = [
            DebouncedSwitch(parameters=switch, scans=max(1, round(quantities[f"{switch.name}.debounce_scans"])))
            for switch in switches
        ]
        self.drive: Command | None = None
        self._contacts = contacts
        self._cut_off_ns = to_ns(quantities[f"{name}.cut_off_s"])
        self._since_ns = 0
        self._last: Command | None = None
        self._stopped_ns = 0
        self._waiting = False

    @property
    def direction(self) -> int:
        """+1, -1, or 0 when it does not drive."""
        return self.drive.direction if self.drive else 0

    def start(self) -> None:
        """Begin idle; whatever is pressed now must be released first."""
        self.drive = self._last = None
        self._waiting = False
        for switch in self.switches:
            switch.pressed = switch.spent = self._contacts.pressed(switch.parameters.pin)
            switch.equal = 0

    def scan(self, now_ns: int, *, locked: bool) -> None:
        """Take one scan: act on what was debounced before, then debounce."""
        if locked:
            self._spend_pressed()
        if self.drive is not None and now_ns - self._since_ns >= self._cut_off_ns:
            self._spend_pressed()
        wanted = self._wanted()
        if self.drive is not None and wanted != self.drive:
            self._last, self._stopped_ns, self.drive = self.drive, now_ns, None
        paused = self._last is not None and wanted != self._last and now_ns - self._stopped_ns < HAND_OVER_NS
        self._waiting = wanted is not None and paused
        if self.drive is None and wanted is not None and not paused:
            self.drive, self._since_ns = wanted, now_ns
        for switch in self.switches:
            switch.scan(self._contacts.pressed(switch.parameters.pin))

    def busy(self) -> bool:
        """Say whether the very next scan may change anything, lines and lock-out staying as they are."""
        return self._waiting or self._wanted() != self.drive or any(switch.equal for switch in self.switches)

    def due_ns(self) -> int | None:
        """Return when the cut-off comes, or None when it does not drive."""
        return self._since_ns + self._cut_off_ns if self.drive else None

    def _spend_pressed(self) -> None:
        for switch in self.switches:
            switch.spent = switch.spent or switch.pressed

    def _wanted(self) -> Command | None:
        pressed = [switch.parameters for switch in self.switches if switch.pressed and not switch.spent]
        if not pressed:
            return None
        rank = min(switch.rank for switch in pressed)
        directions = {switch.direction for switch in pressed if switch.rank == rank}
        return Command(rank, directions.pop()) if len(directions) == 1 else None


class LockOut:
    """Motion is locked out from the lower voltage down, and free again from the higher up."""

    def __init__(self, lockout_v: float, release_v: float) -> None:
        self.locked = True
        self._lockout_v = lockout_v
        self._release_v = release_v

    def start(self, voltage_v: float) -> None:
        """Begin locked unless the bus is above the release voltage."""
        self.locked = voltage_v < self._release_v

    def scan(self, voltage_v: float) -> bool:
        """Take one scan; return whether motion is locked out."""
        self.locked = voltage_v < (self._release_v if self.locked else self._lockout_v)
        return self.locked


class AirspeedDuty:
    """Trim duty by airspeed: full up to one speed, falling in a line to the slow duty at the other.

    Airspeed that was lost, or never came, gives the slow duty.
    """

    def __init__(self, *, full_kt: float, slow_kt: float, slow_duty: float, lost_s: float) -> None:
        self._full_kt = full_kt
        self._slow_kt = slow_kt
        self._slow_duty = slow_duty
        self._lost_ns = to_ns(lost_s)
        self._airspeed_kt: float | None = None
        self._received_ns = 0

    def start(self) -> None:
        """Begin without airspeed."""
        self._airspeed_kt = None

    def receive(self, airspeed_kt: float, now_ns: int) -> None:
        """Take a new airspeed."""
        self._airspeed_kt, self._received_ns = airspeed_kt, now_ns

    def lost_at_ns(self) -> int | None:
        """Return when the airspeed will be lost, or None when there is none."""
        return None if self._airspeed_kt is None else self._received_ns + self._lost_ns

    def duty(self, now_ns: int) -> float:
        """Return the duty, 0 to 1."""
        if self._airspeed_kt is None or now_ns - self._received_ns >= self._lost_ns:
            return self._slow_duty
        if self._airspeed_kt <= self._full_kt:
            return 1.0
        if self._airspeed_kt >= self._slow_kt:
            return self._slow_duty
        part = (self._airspeed_kt - self._full_kt) / (self._slow_kt - self._full_kt)
        return 1.0 + part * (self._slow_duty - 1.0)
