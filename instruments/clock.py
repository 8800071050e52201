"""Time as drivers, rig and runner see it: nobody else sleeps or reads a clock for a decision."""

import threading
import time
from collections.abc import Callable
from typing import Protocol


class Clock(Protocol):
    """Bench time. Waiting is what advances a simulated plant."""

    def monotonic_s(self) -> float:
        """Return bench time in seconds; never goes back."""
        ...

    def sleep_s(self, duration_s: float) -> None:
        """Wait; on a simulated bench this advances the plant by exactly `duration_s`."""
        ...

    def register_drain(self, drain: Callable[[], None]) -> None:
        """Have `drain` called at least every 50 ms from now on, until `unregister_drain`."""
        ...

    def unregister_drain(self, drain: Callable[[], None]) -> None:
        """Stop calling `drain`; unknown drains are ignored."""
        ...


class WallClock:
    """Real time; each drain is called by a thread of its own every 10 ms."""

    def __init__(self) -> None:
        self._stops: dict[Callable[[], None], tuple[threading.Event, threading.Thread]] = {}

    def monotonic_s(self) -> float:
        """Return `time.monotonic()`."""
        return time.monotonic()

    def sleep_s(self, duration_s: float) -> None:
        """Sleep in wall time; a duration of zero or less returns at once."""
        if duration_s > 0:
            time.sleep(duration_s)

    def register_drain(self, drain: Callable[[], None]) -> None:
        """Start a thread that calls `drain` every 10 ms."""
        stop = threading.Event()

        def run() -> None:
            while not stop.wait(0.010):
                drain()

        thread = threading.Thread(target=run, name="drain", daemon=True)
        self._stops[drain] = (stop, thread)
        thread.start()

    def unregister_drain(self, drain: Callable[[], None]) -> None:
        """Stop that thread and wait for it."""
        if drain in self._stops:
            stop, thread = self._stops.pop(drain)
            stop.set()
            thread.join()
