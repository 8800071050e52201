import builtins
import pickle

import pytest
import pyvisa.errors
import serial
from fake_visa_device import INSTR, ScriptedDevice, open_scripted
from pyvisa import rname
from pyvisa.constants import StatusCode

from instruments.errors import InstrumentError, InstrumentLostError, InstrumentTimeoutError, ProtocolError
from instruments.transports.visa import open_visa, translated_errors

ARGUMENTS = {
    pyvisa.errors.VisaIOError: (StatusCode.error_connection_lost,),
    pyvisa.errors.VisaIOWarning: (StatusCode.warning_unknown_status,),
    pyvisa.errors.UnknownHandler: (None, None, None),
    pyvisa.errors.OSNotSupported: ("an operating system",),
    rname.InvalidResourceName: ("not a name",),
}


def exception_classes(module):
    kinds = {id(kind): kind for kind in vars(module).values()}.values()  # IOError is OSError
    return [kind for kind in kinds if isinstance(kind, type) and issubclass(kind, Exception)]


FOREIGN = (
    *exception_classes(pyvisa.errors),
    *(kind for kind in exception_classes(rname) if kind.__module__ == "pyvisa.rname"),
    *(kind for kind in exception_classes(builtins) if issubclass(kind, OSError)),
    serial.SerialException,
    serial.SerialTimeoutException,
    RuntimeError,
    NotImplementedError,
    ValueError,
    EOFError,
)
FAILURES = tuple(code for code in StatusCode if code < 0)


def translate(error):
    with (
        pytest.raises(InstrumentError) as caught,
        translated_errors(name="supply", address=INSTR, command="VOLT 5", time_out_s=0.2),
    ):
        raise error
    return caught.value


@pytest.mark.parametrize("kind", FOREIGN, ids=lambda kind: kind.__qualname__)
def test_every_exception_of_pyvisa_and_the_operating_system_is_translated(kind):
    foreign = kind(*ARGUMENTS.get(kind, ()))
    error = translate(foreign)
    assert type(error) in {InstrumentTimeoutError, InstrumentLostError, ProtocolError}
    assert error.__cause__ is foreign
    assert (error.instrument, error.command) == ("supply", "VOLT 5")
    for part in ("supply", INSTR, '"VOLT 5"', "Check"):
        assert part in str(error)


def test_the_list_of_foreign_exceptions_is_not_empty_by_accident():
    assert {"VisaIOError", "InvalidSession", "LibraryError", "InvalidResourceName", "BrokenPipeError"} <= {
        kind.__name__ for kind in FOREIGN
    }


@pytest.mark.parametrize("code", FAILURES, ids=lambda code: code.name)
def test_every_failing_visa_status_is_translated(code):
    error = translate(pyvisa.errors.VisaIOError(code))
    assert isinstance(error, InstrumentTimeoutError) == (code == StatusCode.error_timeout)
    assert code == StatusCode.error_timeout or str(int(code)) in str(error)


@pytest.mark.parametrize("code", [StatusCode.error_serial_parity, StatusCode.error_serial_framing])
def test_damaged_characters_are_a_matter_of_protocol(code):
    assert isinstance(translate(pyvisa.errors.VisaIOError(code)), ProtocolError)


def test_a_time_out_says_how_long_it_waited():
    assert "no answer" in str(translate(TimeoutError()))
    assert "within 0.2 s" in str(translate(pyvisa.errors.VisaIOError(StatusCode.error_timeout)))


@pytest.mark.parametrize("kind", [KeyboardInterrupt, MemoryError, TypeError, SystemExit])
def test_what_is_no_failure_of_a_link_passes_through(kind):
    with pytest.raises(kind), translated_errors(name="supply", address=INSTR, command="", time_out_s=1.0):
        raise kind


def test_what_is_translated_already_stays_as_it_is():
    error = InstrumentTimeoutError("said once", instrument="daq", command="read")
    assert translate(error) is error


def test_translated_errors_survive_a_process_boundary():
    error = translate(BrokenPipeError("gone"))
    copy = pickle.loads(pickle.dumps(error))  # noqa: S301
    assert (type(copy), str(copy), copy.command) == (type(error), str(error), "VOLT 5")


def test_a_link_that_breaks_in_the_middle_is_lost():
    device = ScriptedDevice()
    transport, _ = open_scripted(device)
    device.fail = BrokenPipeError(32, "Broken pipe")
    with pytest.raises(InstrumentLostError, match="Broken pipe"):
        transport.write("VOLT 5")


def test_a_closed_transport_is_lost_and_closes_again_in_peace():
    transport, _ = open_scripted(ScriptedDevice())
    transport.close()
    transport.close()
    with pytest.raises(InstrumentLostError, match="InvalidSession"):
        transport.query("*IDN?")


@pytest.mark.parametrize("name", ["TCPIP0::10.0.0.6::inst0::INSTR", "TCPIP0::10.0.0.5::5026::SOCKET", "supply 1"])
def test_an_address_with_nothing_behind_it_is_lost(name):
    transport, _ = open_scripted(ScriptedDevice())
    manager = transport._resource._resource_manager
    with pytest.raises(InstrumentLostError, match="address"):
        open_visa(name, resource_manager=manager, name="supply", time_out_s=1.0)


def test_an_address_that_takes_no_messages_is_refused():
    device = ScriptedDevice()
    name = "VXI0::5::INSTR"
    with pytest.raises(InstrumentLostError, match="takes messages"):
        open_scripted(device, name)


@pytest.mark.parametrize("time_out_s", [0.0, -1.0, float("nan")])
def test_a_time_out_of_nothing_is_refused(time_out_s):
    with pytest.raises(ValueError, match="at least"):
        open_scripted(ScriptedDevice(), time_out_s=time_out_s)
