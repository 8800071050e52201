"""Being told to stop while a run lasts: Ctrl-C, and where the platform has them SIGTERM and a closed terminal.

A signal is only taken note of: it must not tear a line of the journal in two, nor break off the way to safe or the
closing of the record. A run looks for it wherever it waits; only a second one breaks in at once, and only there.
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import Self

EXIT_OF_SIGNAL = 128  # and the signal's number: 130 for Ctrl-C, 143 for SIGTERM, as shells have it
WORDS = {
    "SIGINT": "stopped by the operator (Ctrl-C)",
    "SIGBREAK": "stopped by the operator (Ctrl-Break)",
    "SIGTERM": "stopped from outside (SIGTERM)",
    "SIGHUP": "stopped from outside: the terminal was closed (SIGHUP)",
}


class StopSignal(KeyboardInterrupt):
    """A run was told to stop; `number` is the signal's."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class Interrupts:
    """Holds signals while it is entered; `came` is the number of the first one, 0 for none.

    A signal that was ignored before (`nohup`) stays ignored. Beside the main thread, which alone gets signals,
    entering does nothing.
    """

    def __init__(self) -> None:
        self.came = 0
        self._may_break = False
        self._raised = False
        self._before: dict[int, signal.Handlers | object] = {}

    def __enter__(self) -> Self:
        """Take note of signals from here on."""
        if threading.current_thread() is threading.main_thread():
            for name in WORDS:
                number = getattr(signal, name, None)
                if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self._take_note)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave signals as they were before."""
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]  # what signal.signal returned

    @property
    def words(self) -> str:
        """Who or what stopped the run; "" where nothing did."""
        return WORDS[signal.Signals(self.came).name] if self.came else ""

    def note(self, number: int = signal.SIGINT) -> None:
        """Take note of a signal; the first one stands."""
        self.came = self.came or number

    def look(self) -> None:
        """Raise once for a signal that came, where the run may be broken off.

        Raises:
            StopSignal: it did.
        """
        if self.came and self._may_break and not self._raised:
            self._raised = True
            raise StopSignal(self.came)

    @contextmanager
    def may_break(self) -> Iterator[None]:
        """Let `look` raise inside."""
        self._may_break = True
        try:
            yield
        finally:
            self._may_break = False

    def _take_note(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002  (the signature is Python's)
        second = self.came != 0
        self.note(number)
        if second:
            self.look()
