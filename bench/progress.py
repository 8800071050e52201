"""Live progress of a run: what is being done, how far, and what stands at the unit.

On a terminal one line is rewritten in place; elsewhere plain lines, one a procedure and one every ten
seconds of bench time. Always on standard error, so that standard output stays the result's.
"""

import math
from typing import Protocol, TextIO

from bench.sampling import Readings

PLAIN_PERIOD_S = 10.0
LIVE_PERIOD_S = 0.5


class Progress(Protocol):
    """Where a run tells how it gets on; times are bench time."""

    def begin(self, stage: str, procedure: str, *, elapsed_s: float, remaining_s: float) -> None:
        """Begin a procedure; `remaining_s` is the estimate for it and all after it."""
        ...

    def update(self, elapsed_s: float, readings: Readings) -> None:
        """Tell that time has passed."""
        ...

    def end(self, procedure: str, outcome: str) -> None:
        """End a procedure with one line about its findings."""
        ...

    def say(self, text: str) -> None:
        """Tell something else: a prompt, a reason."""
        ...


class NoProgress:
    """Tells nobody."""

    def begin(self, stage: str, procedure: str, *, elapsed_s: float, remaining_s: float) -> None:
        """Do nothing."""

    def update(self, elapsed_s: float, readings: Readings) -> None:
        """Do nothing."""

    def end(self, procedure: str, outcome: str) -> None:
        """Do nothing."""

    def say(self, text: str) -> None:
        """Do nothing."""


class TextProgress:
    """Writes to a text stream; `live` rewrites one line in place."""

    def __init__(self, stream: TextIO, *, live: bool, width: int = 100) -> None:
        self._stream = stream
        self._live = live
        self._width = width
        self._stage = ""
        self._procedure = ""
        self._ends_s = 0.0
        self._last_s = -math.inf
        self._silent = False

    def begin(self, stage: str, procedure: str, *, elapsed_s: float, remaining_s: float) -> None:
        """Show the procedure with the time that has gone and the time to come."""
        self._stage, self._procedure = stage, procedure
        self._ends_s = elapsed_s + remaining_s
        self._last_s = elapsed_s
        if not self._live:
            self._line(self._status(elapsed_s, None))

    def update(self, elapsed_s: float, readings: Readings) -> None:
        """Show volts and amps at the unit, not more often than a reader can follow."""
        if elapsed_s - self._last_s < (LIVE_PERIOD_S if self._live else PLAIN_PERIOD_S):
            return
        self._last_s = elapsed_s
        status = self._status(elapsed_s, readings)
        if self._live:
            self._write("\r" + status[: self._width - 1].ljust(self._width - 1))
        else:
            self._line(status)

    def end(self, procedure: str, outcome: str) -> None:
        """Leave one line standing."""
        self._line(f"  {procedure:<20} {outcome}")

    def say(self, text: str) -> None:
        """Leave a line standing."""
        self._line(f"  {text}")

    def _status(self, elapsed_s: float, readings: Readings | None) -> str:
        remaining_s = max(0.0, self._ends_s - elapsed_s)
        status = f"[{clock(elapsed_s)} gone, {clock(remaining_s)} to go] {self._stage}: {self._procedure}"
        if readings is not None and not math.isnan(readings.unit_voltage_v):
            volts, amps = (round(shown, 2) + 0.0 for shown in (readings.unit_voltage_v, readings.unit_current_a))
            status += f"  unit {volts:.2f} V {amps:.2f} A"  # adding nought takes the sign off a rounded one
        return status

    def _line(self, text: str) -> None:
        wipe = "\r" + " " * (self._width - 1) + "\r" if self._live else ""
        self._write(f"{wipe}{text}\n")

    def _write(self, text: str) -> None:
        """Write, and fall silent once nobody reads any more: that must not end a run."""
        if self._silent:
            return
        try:
            self._stream.write(text)
            self._stream.flush()
        except (OSError, ValueError):  # ValueError: the stream was closed in this process
            self._silent = True


def clock(duration_s: float) -> str:
    """Return minutes and seconds.

    >>> clock(83.4)
    '1:23'
    """
    minutes, seconds = divmod(int(duration_s), 60)
    return f"{minutes}:{seconds:02d}"
