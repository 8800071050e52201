"""Firmware, trim: what can be wrong with the logic of one axis. A good axis has none of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from instruments.simulated.agenda import to_ns
from instruments.simulated.parameters import SwitchInput

PRESENT = 0.5  # a fault that is there or not is there from this value on


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimFaults:
    """Faults of one axis's logic.

    Args:
        priority_inverted: the seat of highest rank commands.
        priority_delay_ns: a seat with priority is heeded only after this time, 0 for at once.
        opposing_drives: both directions of one seat drive the plus way instead of cancelling.
        taps_accumulate: the cut-off counts the time of earlier drives too.
        gap_restarts: a contact gap shorter than the debounce starts the cut-off's time afresh.
        never_rearms: a switch that was cut off never counts again.
        stuck_blocks: while a switch that was cut off is still held, no other one counts.
        latches: a drive, once begun, goes on whatever the switches do: a welded relay.
        honours_held: a switch held through a lock-out or a start drives afterwards without a new press.
        honours_at_start: one held through a start does, one held through a lock-out does not.
        uncut: switches whose drive is never cut off.
    """

    priority_inverted: bool
    priority_delay_ns: int
    opposing_drives: bool
    taps_accumulate: bool
    gap_restarts: bool
    never_rearms: bool
    stuck_blocks: bool
    latches: bool
    honours_held: bool
    honours_at_start: bool
    uncut: frozenset[str]

    @classmethod
    def of(cls, axis: str, switches: Sequence[SwitchInput], quantities: Mapping[str, float]) -> "TrimFaults":
        """Return the faults that an axis's quantities say it has."""

        def present(name: str) -> bool:
            return quantities[f"{axis}.{name}"] >= PRESENT

        return cls(
            priority_inverted=present("priority_inverted"),
            priority_delay_ns=to_ns(quantities[f"{axis}.priority_delay_s"]),
            opposing_drives=present("opposing_drives"),
            taps_accumulate=present("taps_accumulate"),
            gap_restarts=present("gap_restarts"),
            never_rearms=present("never_rearms"),
            stuck_blocks=present("stuck_blocks"),
            latches=present("latches"),
            honours_held=present("honours_held"),
            honours_at_start=present("honours_at_start"),
            uncut=frozenset(switch.name for switch in switches if quantities[f"{switch.name}.uncut"] >= PRESENT),
        )
