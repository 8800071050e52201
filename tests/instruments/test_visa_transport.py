import pytest
from fake_visa_device import INSTR, SOCKET, USB, ScriptedDevice, open_scripted

from instruments.errors import InstrumentTimeoutError, ProtocolError

LINKS = pytest.mark.parametrize("resource_name", [INSTR, SOCKET, USB])


@LINKS
def test_a_query_returns_the_reply_without_its_terminator(resource_name):
    transport, _ = open_scripted(ScriptedDevice({"VOLT?": (0.001, b"9.490\r\n")}), resource_name)
    assert transport.query("VOLT?") == "9.490"


@LINKS
def test_a_query_takes_the_time_the_instrument_takes(resource_name):
    transport, clock = open_scripted(ScriptedDevice({"VOLT?": (0.075, b"9.490\n")}), resource_name)
    transport.resync()
    before_ns = clock.now_ns
    transport.query("VOLT?")
    assert clock.now_ns - before_ns == 75_000_000


@LINKS
def test_a_time_out_takes_exactly_its_time(resource_name):
    transport, clock = open_scripted(ScriptedDevice({"VOLT?": (0.201, b"9.490\n")}), resource_name, time_out_s=0.2)
    transport.resync()
    before_ns = clock.now_ns
    with pytest.raises(InstrumentTimeoutError, match=r'"VOLT\?" within 0\.2 s'):
        transport.query("VOLT?")
    assert clock.now_ns - before_ns == 200_000_000


def test_writing_takes_no_time():
    transport, clock = open_scripted(ScriptedDevice())
    transport.write("VOLT 5")
    assert clock.now_ns == 0


@LINKS
@pytest.mark.parametrize("pause_s", [0.0, 0.2, 5.0])
def test_a_late_reply_never_answers_the_next_query(resource_name, pause_s):
    device = ScriptedDevice({"MEAS:VOLT?": (0.3, b"1.000\n"), "MEAS:CURR?": (0.01, b"2.000\n")})
    transport, clock = open_scripted(device, resource_name, time_out_s=0.25)
    with pytest.raises(InstrumentTimeoutError):
        transport.query("MEAS:VOLT?")
    clock.sleep_s(pause_s)  # the late reply comes after the resync has begun, or before
    assert transport.query("MEAS:CURR?") == "2.000"
    assert transport.query("MEAS:CURR?") == "2.000"


def test_a_reply_left_by_an_interrupt_never_answers_the_next_query():
    device = ScriptedDevice({"MEAS:VOLT?": (0.01, b"1.000\n"), "MEAS:CURR?": (0.01, b"2.000\n")})
    transport, _ = open_scripted(device, SOCKET)
    transport.resync()
    read_raw = transport._resource.read_raw

    def interrupted():
        transport._resource.read_raw = read_raw
        raise KeyboardInterrupt

    transport._resource.read_raw = interrupted
    with pytest.raises(KeyboardInterrupt):
        transport.query("MEAS:VOLT?")
    assert transport.query("MEAS:CURR?") == "2.000"


def test_a_reply_of_an_earlier_session_never_answers_the_first_query():
    device = ScriptedDevice({"VOLT?": (0.001, b"9.490\n")})
    device.answer(0, 0.0005, b"stale\n")
    transport, _ = open_scripted(device, SOCKET)
    assert transport.query("VOLT?") == "9.490"


def test_every_resync_uses_another_token():
    device = ScriptedDevice()
    transport, _ = open_scripted(device)
    for _ in range(256):
        transport.resync()
    probes = [message for message in device.received if message.endswith("*IDN?")]
    assert len(set(probes)) == 255
    assert probes[0] == "*ESE 1;*ESE?;*IDN?"


def test_an_instrument_that_never_comes_into_step_is_told():
    device = ScriptedDevice()
    device.answers_probe = False
    for k in range(20):
        device.answer(0, 0.001 * (k + 1), b"9.490\n")
    transport, _ = open_scripted(device)
    with pytest.raises(ProtocolError, match="only other replies"):
        transport.query("VOLT?")


def test_resync_returns_what_stood_in_the_error_queue():
    device = ScriptedDevice()
    entries = [b'-410,"Query INTERRUPTED"\n', b'-222,"Data out of range;VOLT 99"\n', b'+0,"No error"\n']
    receive = device.receive

    def queued(data, **context):
        if data == b"SYST:ERR?\n":
            device.script["SYST:ERR?"] = (0.001, entries.pop(0))
        receive(data, **context)

    device.receive = queued
    transport, _ = open_scripted(device)
    assert [entry.number for entry in transport.resync()] == [-410, -222]


def test_an_error_queue_without_end_is_told():
    device = ScriptedDevice({"SYST:ERR?": (0.001, b'-350,"Queue overflow"\n')})
    transport, _ = open_scripted(device)
    with pytest.raises(ProtocolError, match="does not end"):
        transport.query("VOLT?")


def test_a_reply_that_is_not_ascii_is_a_matter_of_protocol():
    transport, _ = open_scripted(ScriptedDevice({"VOLT?": (0.001, b"9.49\xb5\n")}))
    with pytest.raises(ProtocolError, match='"VOLT\\?"'):
        transport.query("VOLT?")


@pytest.mark.parametrize("command", ["VOLT 5\nOUTP ON", "VOLT 5 \u03a9"])
def test_a_command_is_one_line_of_ascii(command):
    device = ScriptedDevice()
    transport, _ = open_scripted(device)
    for send in (transport.write, transport.query, transport.query_block):
        with pytest.raises(ValueError, match="one line of ASCII"):
            send(command)
    assert device.received == []


@LINKS
@pytest.mark.parametrize("payload", [b"", b"\n", b"#15\n\r;\n", bytes(range(256)) * 16, b"\n" * ((1 << 21) + 3)])
def test_a_block_comes_through_whole_and_text_after_it_is_in_step(resource_name, payload):
    block = f"#9{len(payload):09d}".encode("ascii") + payload + b"\n"
    device = ScriptedDevice({"DATA?": (0.001, block), "VOLT?": (0.001, b"9.490\n")})
    transport, _ = open_scripted(device, resource_name)
    assert transport.query_block("DATA?") == payload
    assert transport.query("VOLT?") == "9.490"
    assert len([message for message in device.received if message.endswith("*IDN?")]) == 1  # no second resync


@pytest.mark.parametrize("resource_name", [INSTR, USB])
def test_an_indefinite_block_ends_with_its_message(resource_name):
    device = ScriptedDevice({"DATA?": (0.001, b"#0ab\ncd\n"), "VOLT?": (0.001, b"9.490\n")})
    transport, _ = open_scripted(device, resource_name)
    assert transport.query_block("DATA?") == b"ab\ncd"
    assert transport.query("VOLT?") == "9.490"


def test_an_indefinite_block_over_a_socket_is_refused():
    transport, _ = open_scripted(ScriptedDevice({"DATA?": (0.001, b"#0abcd\n")}), SOCKET)
    with pytest.raises(ProtocolError, match="can't tell where a message ends"):
        transport.query_block("DATA?")


@LINKS
@pytest.mark.parametrize("reply", [b"9.490\n", b"#X5abcde\n", b"#2xxabc\n", b"#15abcdeX\n"])
def test_what_is_no_block_is_refused_and_the_next_query_is_in_step(resource_name, reply):
    device = ScriptedDevice({"DATA?": (0.001, reply), "VOLT?": (0.001, b"9.490\n")})
    transport, _ = open_scripted(device, resource_name)
    with pytest.raises(ProtocolError, match='"DATA\\?"'):
        transport.query_block("DATA?")
    assert transport.query("VOLT?") == "9.490"


@LINKS
def test_a_block_shorter_than_it_says_is_a_time_out(resource_name):
    device = ScriptedDevice({"DATA?": (0.001, b"#210abcde\n"), "VOLT?": (0.001, b"9.490\n")})
    transport, _ = open_scripted(device, resource_name)
    with pytest.raises(InstrumentTimeoutError):
        transport.query_block("DATA?")
    assert transport.query("VOLT?") == "9.490"
