"""A plant that keeps up with wall time, and the one event loop in which everything that touches it runs.

Nothing ahead of its time is ever computed: each link asks the world to catch up before it hands bytes on. Where the
machine is too slow for the pace, plant time falls behind wall time, and the world says by how much.
"""

import asyncio
import time
from collections.abc import Callable

from instruments.simulated.port import PlantPort

TICK_S = 0.002  # of wall time, between looks for what the plant sends by itself
# The most that is made up for in one go, whichever is more: a machine that stalled slows the plant, and loses nothing.
LONGEST_STEP_NS = 50_000_000  # of plant time
LONGEST_STEP_S = 0.005  # of wall time


class World:
    """One plant at `pace` times wall time; not thread-safe, for it runs in one event loop.

    Args:
        plant: advanced by nobody else.
        pace: seconds of the plant in one second of wall time.
        wall_s: wall time, for tests.

    Raises:
        ValueError: a pace that is not above zero.
    """

    def __init__(self, plant: PlantPort, *, pace: float = 1.0, wall_s: Callable[[], float] = time.monotonic) -> None:
        if not pace > 0.0:
            raise ValueError(f"a pace is above 0, not {pace:g}")
        self.plant = plant
        self.pace = pace
        self.behind_s = 0.0  # of wall time, in all: what the plant was given up to be late
        self._wall_s = wall_s
        self._looked_s = wall_s()

    def catch_up(self) -> int:
        """Bring the plant to where wall time is by now; return plant time in ns."""
        now_s = self._wall_s()
        due_ns = round((now_s - self._looked_s) * self.pace * 1e9)
        self._looked_s = now_s
        step_ns = min(due_ns, max(LONGEST_STEP_NS, round(LONGEST_STEP_S * self.pace * 1e9)))
        self.behind_s += (due_ns - step_ns) / 1e9 / self.pace
        if step_ns > 0:
            self.plant.advance_to(self.plant.now_ns + step_ns)
        return self.plant.now_ns

    async def until(self, time_ns: int) -> None:
        """Wait until the plant is at `time_ns`."""
        while (left_ns := time_ns - self.catch_up()) > 0:  # noqa: ASYNC110  (time passes; nobody sets an event)
            await asyncio.sleep(left_ns / 1e9 / self.pace)

    async def tick(self) -> None:
        """Wait until it is worth looking again, and catch up."""
        await asyncio.sleep(TICK_S)
        self.catch_up()
