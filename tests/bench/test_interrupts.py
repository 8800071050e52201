"""A signal is taken note of wherever it comes, and breaks off only what may be broken off."""

import signal

import pytest

from bench.interrupts import Interrupts, StopSignal


def test_a_signal_is_noted_and_raised_once_where_it_is_looked_for():
    with Interrupts() as interrupts:
        signal.raise_signal(signal.SIGTERM)
        interrupts.look()  # not where nothing may break
        with pytest.raises(StopSignal) as stop, interrupts.may_break():
            interrupts.look()
        with interrupts.may_break():
            interrupts.look()  # once is enough: what follows makes safe
    assert (stop.value.number, interrupts.came) == (signal.SIGTERM, signal.SIGTERM)
    assert "SIGTERM" in interrupts.words


def test_a_second_one_breaks_in_at_once_but_only_where_it_may():
    with Interrupts() as interrupts:
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(StopSignal), interrupts.may_break():
            signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)
    assert interrupts.came == signal.SIGINT
    assert "Ctrl-C" in interrupts.words


def test_signals_are_as_they_were_afterwards():
    before = signal.getsignal(signal.SIGINT)
    with Interrupts() as interrupts:
        assert signal.getsignal(signal.SIGINT) is not before
    assert signal.getsignal(signal.SIGINT) is before
    assert (interrupts.came, interrupts.words) == (0, "")


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="this platform has no SIGHUP")
def test_a_signal_that_was_ignored_stays_ignored():
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Interrupts() as interrupts:
            signal.raise_signal(signal.SIGHUP)
        assert interrupts.came == 0
    finally:
        signal.signal(signal.SIGHUP, before)
