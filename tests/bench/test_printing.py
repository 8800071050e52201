"""Whatever the program is started with, there is something to print on."""

import sys

from bench.printing import ready_streams, warn


def test_closed_streams_are_replaced_and_take_what_is_printed(monkeypatch):
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stderr", None)
    ready_streams()
    try:
        sys.stdout.write("a")
        warn("b")
    finally:
        sys.stdout.close()
        sys.stderr.close()


def test_a_warning_that_nobody_can_hear_is_let_go(monkeypatch):
    class Full:
        def write(self, text):
            raise OSError(28, text)

    monkeypatch.setattr(sys, "stderr", Full())
    warn("a")
