import inspect
import sys

import pytest
import serial
import serial.serialutil

from instruments.errors import InstrumentError, InstrumentLostError, InstrumentTimeoutError, SettingRefusedError
from instruments.transports.serial_port import serial_errors

PYSERIALS_OWN = [
    kind
    for _, kind in inspect.getmembers(serial.serialutil, inspect.isclass)
    if issubclass(kind, Exception) and kind.__module__.startswith("serial")
]


def translated(error):
    with pytest.raises(InstrumentError) as caught, serial_errors("daq", "BEAT"):
        raise error
    assert caught.value.__cause__ is error
    assert (caught.value.instrument, caught.value.command) == ("daq", "BEAT")
    assert str(caught.value).startswith("daq: ")
    return type(caught.value)


def test_pyserial_has_the_exceptions_that_this_test_knows():
    names = {kind.__name__ for kind in PYSERIALS_OWN}
    assert names == {"SerialException", "SerialTimeoutException", "PortNotOpenError"}


@pytest.mark.parametrize("kind", PYSERIALS_OWN)
def test_every_exception_of_pyserial_becomes_ours(kind):
    error = kind() if kind is serial.PortNotOpenError else kind("text")
    expected = InstrumentTimeoutError if kind is serial.SerialTimeoutException else InstrumentLostError
    assert translated(error) is expected


@pytest.mark.parametrize(
    "error",
    [
        OSError(5, "Input/output error"),
        BrokenPipeError(),
        ConnectionResetError(),
        FileNotFoundError(),
        PermissionError(),
    ],
)
def test_what_the_system_raises_is_a_lost_link(error):
    assert translated(error) is InstrumentLostError


@pytest.mark.skipif(sys.platform == "win32", reason="there is no termios")
def test_what_the_terminal_layer_raises_is_a_lost_link():
    import termios

    assert translated(termios.error(25, "Inappropriate ioctl for device")) is InstrumentLostError


@pytest.mark.parametrize("error", [ValueError("invalid URL, protocol 'x' not known"), NotImplementedError()])
def test_what_the_port_can_not_be_is_a_refused_setting(error):
    assert translated(error) is SettingRefusedError


def test_an_error_of_ours_passes_unchanged():
    ours = InstrumentLostError("supply: gone", instrument="supply")
    with pytest.raises(InstrumentLostError) as caught, serial_errors("daq", "BEAT"):
        raise ours
    assert caught.value is ours


def test_programming_errors_are_not_hidden():
    with pytest.raises(KeyError), serial_errors("daq", "BEAT"):
        raise KeyError("x")


@pytest.mark.parametrize("url", ["nosuchscheme://x", "no-such-port-anywhere", "socket://nonsense"])
def test_a_port_that_is_not_there_is_said_in_our_words(url):
    with pytest.raises(InstrumentError, match="daq: "), serial_errors("daq", f"open {url}"):
        serial.serial_for_url(url)
