"""An event loop on a thread of its own, for whoever serves a bench beside other work: tests, above all."""

import asyncio
import threading
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Self, TypeVar

T = TypeVar("T")


class LoopThread:
    """Runs an event loop while the block runs; everything given to it runs there, one after the other."""

    def __enter__(self) -> Self:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="served bench", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.run(_cancel_all())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def run(self, coroutine: Coroutine[Any, Any, T]) -> T:
        """Run a coroutine there and return what it returns."""
        return asyncio.run_coroutine_threadsafe(coroutine, self._loop).result()

    def call(self, function: Callable[[], T]) -> T:
        """Call a function there and return what it returns."""

        async def called() -> T:
            return function()

        return self.run(called())


async def _cancel_all() -> None:
    mine = asyncio.current_task()
    others = [task for task in asyncio.all_tasks() if task is not mine]
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
