"""The `Rig` protocol: the wired bench as a procedure sees it, by the names of the unit sheet.

Signal names (analogue): `supply.voltage` (at its terminals), `unit.voltage` (at the unit's power pins),
`unit.current` (positive leg, to 2 A), `unit.current.high` (positive leg, to full current), `return.current`
(negative leg), `ground.voltage` (power ground pin against signal ground pin), `reference.voltage`, and
`<name>.voltage` for every discrete, rheostat, dimming output, trim axis and watched output, `<axis>.current`
for every trim axis, `airspeed.voltage` where airspeed is a voltage. Positive current in `<axis>.current` leaves
the plus pin.
Lines (digital): the name of every trim switch and command input (true while the line stands at ground, as
read back at the pin), `bus.receive` (true while the line is dominant), and by its route `airspeed` (a contact) or
`airspeed.text` (true while the line is at space).
Stimuli: discretes and rheostats (analogue, volts behind the stimulus resistor), trim switches and command
inputs (`press`, `release`).
Everything the rig is told while a capture runs is logged in it as an event.
"""

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, Protocol

NOTHING_DRAWN = "nothing"  # what stands in a note for an electronic load that is off
BUS_SWITCH = "bus switch"  # the line that a scheduled switching of the bus is logged under
NOT_SURE = "not sure"  # what stands for the lamps of a look that told nothing


class SupplyPath(StrEnum):
    """Positions of the bus switch."""

    OPEN = "open"
    RUN = "run"
    THROUGH_20_OHM = "20 ohm"
    HARD = "0.5 ohm"  # for a hard switch-on: stiff, and it bounds the peak
    DIP_SOURCE = "dip source"  # a second source, for falls that are faster than the supply's


class Source(StrEnum):
    """What can play a course of the bus by its own clock."""

    SUPPLY = "supply"
    DIP_SOURCE = "dip source"


class Tread(NamedTuple):
    """A step of a course as a source plays it: as fast as it slews to a voltage, and there for so long in all."""

    voltage_v: float
    dwell_s: float


class AirspeedFault(StrEnum):
    """In which respect an airspeed is not as a sound source gives it. All but the first are faults of text alone."""

    NONE = ""
    FROZEN = "the very same figure again and again"  # else it moves a little, where the unit sheet asks for that
    CHECKSUM = "wrong checksum"
    CUT_SHORT = "sentence cut short ahead of its checksum"
    OTHER_UNIT = "figure in another unit"


class PromptAction(StrEnum):
    """What a prompt asks a person to do."""

    PLUG_UNIT = "plug unit"
    UNPLUG_UNIT = "unplug unit"
    CONFIRM = "confirm"
    LOOK = "look"  # what `Rig.look` asks


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyReading:
    """The supply's own read-back and its settings at that moment."""

    voltage_v: float
    current_a: float
    set_voltage_v: float
    current_limit_a: float
    limiting: bool  # status bit, latched since the last reading; corroborates only


class Drawn(StrEnum):
    """What an electronic load holds constant."""

    CURRENT = "current"
    POWER = "power"
    RESISTANCE = "resistance"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadReading:
    """The electronic load's own meters and state; they corroborate only."""

    voltage_v: float
    current_a: float
    power_w: float
    drawing: bool  # its input is on
    tripped: bool  # a protection has switched it off
    reversed: bool  # it saw the voltage the wrong way round since the last reading


class CaptureSession(Protocol):
    """A running capture. Times are capture time: 0 at its first sample."""

    @property
    def now_s(self) -> float:
        """Capture time now."""
        ...

    def wait_until(self, time_s: float) -> None:
        """Wait until capture time `time_s`; returns at once if it has passed."""
        ...

    def drive(self, stimulus: str, voltage_v: float, *, at_s: float) -> None:
        """Set an analogue stimulus at a sample instant to come; refused when that is already past."""
        ...

    def ramp(self, stimulus: str, to_voltage_v: float, *, at_s: float, duration_s: float) -> None:
        """Ramp an analogue stimulus linearly from where it then stands, starting at a sample instant to come."""
        ...

    def press(self, switch: str, *, at_s: float) -> None:
        """Close a switch line to ground at a sample instant to come."""
        ...

    def release(self, switch: str, *, at_s: float) -> None:
        """Open a switch line at a sample instant to come."""
        ...

    def switch_bus(self, path: SupplyPath, *, at_s: float) -> None:
        """Set the bus switch alone at a sample instant to come; the contactor stays held, also with `OPEN`."""
        ...

    def play_course(self, source: Source) -> None:
        """Have a source play the course loaded into it from now on, by its own clock."""
        ...

    def quiet_bus(self, *, from_s: float, to_s: float) -> None:
        """Send no bench frame in this stretch; frames due in it go out at its end."""
        ...

    def note(self, **fields: float | str | bool) -> None:
        """Log a `note` event now."""
        ...


class Rig(Protocol):
    """What procedures drive. Every call keeps the bench's heartbeat; a long call is cut into short waits."""

    @property
    def now_s(self) -> float:
        """Bench time since the run began."""
        ...

    def wait(self, duration_s: float) -> None:
        """Wait in bench time; streams are drained, frames sent and aborts watched meanwhile."""
        ...

    def capture(
        self,
        name: str,
        signals: Sequence[str],
        *,
        sample_rate_hz: float,
        lines: Sequence[str] = (),
        **settings: float | str,
    ) -> AbstractContextManager[CaptureSession]:
        """Sample `signals` and `lines` from entry to exit; `unit.voltage` and `unit.current` need not be named twice.

        Settings are kept in `Capture.settings` (numbers with units in their names).
        """
        ...

    def set_supply(self, voltage_v: float, current_limit_a: float) -> None:
        """Set voltage and current limit at once (output state unchanged); read back."""
        ...

    def ramp_supply(self, to_voltage_v: float, *, rate_v_per_s: float) -> None:
        """Ramp the supply from its present setting; returns when it has arrived. Stairs of at most 10 mV or 20 ms."""
        ...

    def set_output(self, on: bool) -> None:
        """Switch the supply's output; over-voltage protection is set and read back before on."""
        ...

    def read_supply(self) -> SupplyReading:
        """Read the supply; logged as `supply` event."""
        ...

    def connect(self, path: SupplyPath) -> None:
        """Set the bus switch; the contactor closes with any path but open."""
        ...

    def load_course(self, source: Source, treads: Sequence[Tread], current_limit_a: float) -> None:
        """Load a course into a source; the dip source, which then drives nothing yet, is set to its begin and on."""
        ...

    def end_course(self, source: Source) -> None:
        """Give a course up: the supply stays at its last voltage, the dip source goes off.

        The bus switch must not stand at the dip source.
        """
        ...

    def hold_contactor(self) -> None:
        """Close the contactor with the bus switch open, so that `CaptureSession.switch_bus` makes and breaks."""
        ...

    def set_load(self, output: str, position: str) -> None:
        """Switch a load relay by output (or `plug`) and position name (`9.0 ohm`, `1 kohm`, `open`)."""
        ...

    def hold_motor(self, output: str, on: bool) -> None:
        """Put the bench's brake on an output's motor, so that it stands still under current, or take it off."""
        ...

    def connect_load(self, output: str, *, reverse: bool = False) -> None:
        """Connect the electronic load to one output (or `plug`) and nowhere else; its input is off then, at 0 A.

        `reverse` exchanges its leads, for an output that drives its minus pin. Switched while nothing flows.
        """
        ...

    def disconnect_load(self) -> None:
        """Have the electronic load draw nothing, and connect it to nothing."""
        ...

    def draw(self, drawn: Drawn, level: float) -> None:
        """Have the connected electronic load draw: A, W or ohm, from now on."""
        ...

    def stop_drawing(self) -> None:
        """Have the electronic load draw nothing; it stays connected."""
        ...

    def read_load(self) -> LoadReading:
        """Read the electronic load; logged as `electronic-load` event."""
        ...

    def arm(self, on: bool) -> None:
        """Close or open the arm relay between motor outputs and their loads."""
        ...

    def drive(self, stimulus: str, voltage_v: float) -> None:
        """Set an analogue stimulus now."""
        ...

    def press(self, switch: str) -> None:
        """Close a switch line now."""
        ...

    def release(self, switch: str) -> None:
        """Open a switch line now."""
        ...

    def idle_inputs(self) -> None:
        """Put every stimulus to its inactive state: switches open, discretes inactive, rheostats at 0 V."""
        ...

    def start_airspeed(self, airspeed_kt: float) -> None:
        """Give airspeed by the unit's own route from now on, again and again at its period.

        Every sending is logged as a `sent` event: `airspeed_kt`; for text also `text`, `bit_rate`, `lasts_s` (how long
        it stands on the line) and `fault`, for a voltage `volts`, for a contact `closed`; `route` says which, but for
        frames of the bus.
        """
        ...

    def set_airspeed(self, airspeed_kt: float, fault: AirspeedFault = AirspeedFault.NONE) -> None:
        """Give another airspeed from the next place of the grid on; NaN gives a value that is no number."""
        ...

    def stop_airspeed(self) -> None:
        """Give no more airspeed: silence, or the voltage of a dead line."""
        ...

    def ask(self, action: PromptAction, text: str) -> str:
        """Prompt a person for one action and return the answer; prompt and answer are recorded."""
        ...

    def look(self, question: str, shown: Mapping[str, str]) -> frozenset[str] | None:
        """Ask a person which of the unit's lamps are lit; name -> which lamp it is. None where they can't say.

        What was asked and answered stands in the running capture as an `answer` event with the fields `asked` and
        `lit`: names with commas between, `lit` being `not sure` where the person can't say.
        """
        ...

    def make_safe(self) -> None:
        """Release commands, disarm, open the contactor, supply off, wait until the bus is discharged."""
        ...
