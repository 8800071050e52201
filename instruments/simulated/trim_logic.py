"""Firmware, trim: which way each axis drives, from its seats' switches.

The seat of lowest rank that presses commands; both directions of one seat cancel; taking over from another
seat or reversing passes through a pause. A drive that lasts too long is cut off, and after that, after an
over-current trip, after lock-out and after a start a switch that is still held counts only once it was released.
A command acts one scan after its debounce. What a seat may do after it was overridden, and what still works
while another switch is stuck, are the model's habits; what can be wrong stands in `trim_faults`.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from instruments.simulated.agenda import to_ns
from instruments.simulated.parameters import SwitchInput, TrimHabits
from instruments.simulated.trim_faults import TrimFaults

HAND_OVER_NS = 30_000_000  # from one seat to another


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
    rearms: bool = True
    pressed: bool = False
    spent: bool = False
    equal: int = 0

    @property
    def counts(self) -> bool:
        """Whether it commands: pressed and not spent."""
        return self.pressed and not self.spent

    @property
    def stuck(self) -> bool:
        """Whether it is still held although it was cut off."""
        return self.pressed and self.spent

    def scan(self, at_ground: bool) -> None:
        """Take one scan."""
        if at_ground == self.pressed:
            self.equal = 0
            return
        self.equal += 1
        if self.equal >= self.scans:
            self.pressed, self.equal = at_ground, 0
            self.spent = self.spent and (at_ground or not self.rearms)


class TrimAxis:
    """One axis: switches, priority, pause, cut-off."""

    def __init__(
        self,
        name: str,
        switches: Sequence[SwitchInput],
        quantities: Mapping[str, float],
        contacts: Contacts,
        habits: TrimHabits,
    ) -> None:
        self.name = name
        self._faults = TrimFaults.of(name, switches, quantities)
        self.switches = [
            DebouncedSwitch(
                parameters=switch,
                scans=max(1, round(quantities[f"{switch.name}.debounce_scans"])),
                rearms=not self._faults.never_rearms,
            )
            for switch in switches
        ]
        self.drive: Command | None = None
        self._habits = habits
        self._contacts = contacts
        self._cut_off_ns = to_ns(quantities[f"{name}.cut_off_s"])
        self._reversal_ns = to_ns(quantities[f"{name}.reversal_s"])
        self._since_ns = 0
        self._driven_ns = 0  # by earlier drives, where taps accumulate
        self._last: Command | None = None
        self._stopped_ns = 0
        self._waiting = False
        self._challenged_ns: int | None = None  # since when a seat with priority has been put off

    @property
    def direction(self) -> int:
        """+1, -1, or 0 when it does not drive."""
        return self.drive.direction if self.drive else 0

    def start(self) -> None:
        """Begin idle; whatever is pressed now must be released first."""
        self.drive = self._last = self._challenged_ns = None
        self._waiting = False
        self._driven_ns = 0
        for switch in self.switches:
            switch.pressed = self._contacts.pressed(switch.parameters.pin)
            switch.spent = switch.pressed and not (self._faults.honours_held or self._faults.honours_at_start)
            switch.equal = 0

    def scan(self, now_ns: int, *, locked: bool) -> None:
        """Take one scan: act on what was debounced before, then debounce."""
        if locked and not self._faults.honours_held:
            self._spend_pressed()
        if self._faults.gap_restarts and any(switch.counts and switch.equal for switch in self.switches):
            self._since_ns = now_ns
        due_ns = self.due_ns()
        if due_ns is not None and now_ns >= due_ns:
            self._driven_ns = 0
            self._since_ns = now_ns
            self._spend_pressed()
        wanted = None if locked and self._faults.honours_held else self._wanted(now_ns)
        if self.drive is not None and wanted != self.drive:
            self._stop(now_ns, wanted)
        paused = now_ns - self._stopped_ns < self._pause_ns(wanted)
        self._waiting = wanted is not None and paused
        if self.drive is None and wanted is not None and not paused:
            self.drive, self._since_ns = wanted, now_ns
        for switch in self.switches:
            switch.scan(self._contacts.pressed(switch.parameters.pin))

    def trip(self, now_ns: int) -> None:
        """Stop at once, by the power stage; what is pressed must be released first."""
        self._spend_pressed()
        self._stop(now_ns, None)

    def busy(self) -> bool:
        """Say whether the very next scan may change anything, lines and lock-out staying as they are."""
        return (
            self._waiting
            or self._challenged_ns is not None
            or self._commanded() != self.drive
            or any(switch.equal for switch in self.switches)
        )

    def due_ns(self) -> int | None:
        """Return when the cut-off comes, or None when it does not drive or never will be cut off."""
        if self.drive is None or self._faults.latches or self._faults.uncut & self._driving():
            return None
        return self._since_ns + self._cut_off_ns - self._driven_ns

    def _pause_ns(self, wanted: Command | None) -> int:
        """Return how long after its last drive it waits with another one."""
        if self._last is None or wanted is None or wanted == self._last:
            return 0
        return self._reversal_ns if wanted.rank == self._last.rank else HAND_OVER_NS

    def _stop(self, now_ns: int, wanted: Command | None) -> None:
        drive = self.drive
        if drive is None:
            return
        if self._faults.taps_accumulate:
            self._driven_ns += now_ns - self._since_ns
        if wanted is not None and wanted.rank != drive.rank and not self._habits.resumes_after_hand_over:
            for switch in self.switches:
                switch.spent = switch.spent or (switch.pressed and switch.parameters.rank == drive.rank)
        self._last, self._stopped_ns, self.drive = drive, now_ns, None

    def _spend_pressed(self) -> None:
        for switch in self.switches:
            switch.spent = switch.spent or switch.pressed

    def _driving(self) -> frozenset[str]:
        """Return the switches behind the present drive."""
        return frozenset(
            switch.parameters.name
            for switch in self.switches
            if switch.counts and (switch.parameters.rank, switch.parameters.direction) == self.drive
        )

    def _wanted(self, now_ns: int) -> Command | None:
        """Return what is commanded, a seat with priority put off by its delay where that is a fault."""
        if self._faults.latches and self.drive is not None:
            return self.drive
        commanded = self._commanded()
        held = self.drive if self._driving() else None
        if held is None or commanded is None or commanded.rank >= held.rank or not self._faults.priority_delay_ns:
            self._challenged_ns = None
            return commanded
        if self._challenged_ns is None:
            self._challenged_ns = now_ns
        if now_ns - self._challenged_ns < self._faults.priority_delay_ns:
            return held
        self._challenged_ns = None
        return commanded

    def _commanded(self) -> Command | None:
        pressed = [switch.parameters for switch in self.switches if switch.counts and not self._blocked(switch)]
        if not pressed:
            return None
        choose = max if self._faults.priority_inverted else min
        rank = choose(switch.rank for switch in pressed)
        directions = {switch.direction for switch in pressed if switch.rank == rank}
        if len(directions) == 1 or self._faults.opposing_drives:
            return Command(rank, max(directions))
        return None

    def _blocked(self, switch: DebouncedSwitch) -> bool:
        """Say whether a switch that is stuck keeps this one from commanding."""
        for stuck in self.switches:
            if not stuck.stuck:
                continue
            same_seat = stuck.parameters.rank == switch.parameters.rank
            works = self._habits.opposite_works_while_stuck if same_seat else self._habits.other_seat_works_while_stuck
            if self._faults.stuck_blocks or not works:
                return True
        return False


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

    Airspeed that was lost, or never came, gives the slow duty; so does one that stayed the same for `frozen_s`. An
    airspeed outside `believed_kt` changes nothing. `scale` other than 1 is a fault: it is taken in the wrong unit.
    """

    def __init__(
        self,
        *,
        full_kt: float,
        slow_kt: float,
        slow_duty: float,
        lost_s: float,
        scale: float = 1.0,
        frozen_s: float = math.inf,
        believed_kt: tuple[float, float] = (-math.inf, math.inf),
    ) -> None:
        self._full_kt = full_kt
        self._slow_kt = slow_kt
        self._slow_duty = slow_duty
        self._lost_ns = to_ns(lost_s) if math.isfinite(lost_s) else None
        self._scale = scale
        self._frozen_ns = to_ns(frozen_s) if math.isfinite(frozen_s) else None
        self._believed_kt = believed_kt
        self._airspeed_kt: float | None = None
        self._received_ns = 0
        self._changed_ns = 0
        self._held = False  # it stands at a pin, and is not lost while it does

    def start(self) -> None:
        """Begin without airspeed."""
        self._airspeed_kt = None
        self._held = False

    def receive(self, airspeed_kt: float, now_ns: int) -> None:
        """Take a new airspeed."""
        if not self._believed_kt[0] <= airspeed_kt <= self._believed_kt[1]:
            return
        scaled_kt = self._scale * airspeed_kt
        if scaled_kt != self._airspeed_kt:
            self._changed_ns = now_ns
        self._airspeed_kt, self._received_ns = scaled_kt, now_ns

    def stand(self, airspeed_kt: float | None, now_ns: int) -> None:
        """Take what stands at a pin from now on; None where that is no airspeed."""
        if airspeed_kt is not None:
            self._airspeed_kt, self._held = self._scale * airspeed_kt, True
        elif self._held:
            self._received_ns, self._held = now_ns, False

    def lost_at_ns(self) -> int | None:
        """Return when the airspeed will be lost, or None when there is none, or it can't be."""
        if self._airspeed_kt is None or self._held:
            return None
        ends_ns = [
            since_ns + after_ns
            for since_ns, after_ns in ((self._received_ns, self._lost_ns), (self._changed_ns, self._frozen_ns))
            if after_ns is not None
        ]
        return min(ends_ns, default=None)

    def duty(self, now_ns: int) -> float:
        """Return the duty, 0 to 1."""
        lost_ns = self.lost_at_ns()
        if self._airspeed_kt is None or (lost_ns is not None and now_ns >= lost_ns):
            return self._slow_duty
        if self._airspeed_kt <= self._full_kt:
            return 1.0
        if self._airspeed_kt >= self._slow_kt:
            return self._slow_duty
        part = (self._airspeed_kt - self._full_kt) / (self._slow_kt - self._full_kt)
        return 1.0 + part * (self._slow_duty - 1.0)
