"""Simulated time: waiting advances the plant, and nothing else does."""

from collections.abc import Callable

from instruments.simulated.port import PlantPort

DRAIN_PERIOD_NS = 50_000_000


class SimulatedClock:
    """`instruments.clock.Clock` over one plant; single-threaded, exact to the nanosecond.

    Registered drains are called after every wait, and within a wait at least every 50 ms. A drain that
    waits itself advances the plant without drains being called again inside it. A drain can be called
    while its own driver is inside a read that waits: such a driver has to return from its drain at once.
    """

    def __init__(self, plant: PlantPort) -> None:
        self._plant = plant
        self._drains: dict[Callable[[], None], None] = {}
        self._drained_ns = plant.now_ns
        self._draining = False

    @property
    def now_ns(self) -> int:
        """Return plant time in nanoseconds."""
        return self._plant.now_ns

    def monotonic_s(self) -> float:
        """Return plant time in seconds."""
        return self._plant.now_ns / 1e9

    def sleep_s(self, duration_s: float) -> None:
        """Advance the plant by exactly `round(duration_s * 1e9)` ns, then drain; zero or less returns at once.

        Every wait is rounded by itself, so a sum of equal waits is that many times one wait.

        Raises:
            ValueError: `duration_s` is NaN.
            OverflowError: `duration_s` is infinite.
        """
        duration_ns = round(duration_s * 1e9)
        if duration_ns > 0:
            self.advance_ns(duration_ns)
            if self._drained_ns != self.now_ns:
                self._drain()

    def advance_ns(self, duration_ns: int) -> None:
        """Advance the plant by `duration_ns`, for instrument faces that wait inside a driver's read.

        Drains are called only as often as they must be: every 50 ms, and never from inside a drain.
        """
        end_ns = self.now_ns + duration_ns
        while self.now_ns < end_ns:
            if self._draining:
                self._plant.advance_to(end_ns)
                return
            self._plant.advance_to(min(end_ns, self._drained_ns + DRAIN_PERIOD_NS))
            if self.now_ns >= self._drained_ns + DRAIN_PERIOD_NS:
                self._drain()

    def register_drain(self, drain: Callable[[], None]) -> None:
        """Have `drain` called at least every 50 ms from now on; registering it twice changes nothing."""
        self._drains[drain] = None

    def unregister_drain(self, drain: Callable[[], None]) -> None:
        """Stop calling `drain`; unknown drains are ignored."""
        self._drains.pop(drain, None)

    def _drain(self) -> None:
        if self._draining:
            return
        self._draining = True
        try:
            for drain in tuple(self._drains):
                if drain in self._drains:  # an earlier one may have unregistered it
                    drain()
        finally:
            self._draining = False
            self._drained_ns = self.now_ns
