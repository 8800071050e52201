"""A device for the simulated VISA library that answers what a test tells it to, and when."""

from collections import deque

from fake_plant_supply import FakePlant

from instruments.simulated.clock import SimulatedClock
from instruments.simulated.scpi_instrument import Reply
from instruments.simulated.visa_library import simulated_resource_manager
from instruments.transports.visa import open_visa

INSTR = "TCPIP0::10.0.0.5::inst0::INSTR"
SOCKET = "TCPIP0::10.0.0.5::5025::SOCKET"
USB = "USB0::0x1234::0x5678::SN1::0::INSTR"


class ScriptedDevice:
    """Answers a message from `script`: (delay in seconds, reply bytes); plays a SCPI instrument's resync otherwise."""

    def __init__(self, script=()):
        self.script = dict(script)
        self.replies: deque[Reply] = deque()
        self.received: list[str] = []
        self.fail: BaseException | None = None
        self.answers_probe = True

    def receive(self, data, *, now_ns, stream):  # noqa: ARG002 - the library says it to every device
        if self.fail is not None:
            raise self.fail
        message = data.decode("ascii").rstrip("\n")
        self.received.append(message)
        if message.startswith("*ESE ") and message.endswith("*IDN?") and self.answers_probe:
            token = message.removeprefix("*ESE ").partition(";")[0]
            self.answer(now_ns, 0.001, f"{token};maker,model,serial,firmware\n".encode("ascii"))
        elif message in self.script:
            self.answer(now_ns, *self.script[message])
        elif message == "SYST:ERR?":
            self.answer(now_ns, 0.001, b'0,"No error"\n')

    def answer(self, now_ns, delay_s, reply):
        self.replies.append(Reply(now_ns + round(delay_s * 1e9), bytearray(reply)))

    def clear(self, *, now_ns, stream):  # noqa: ARG002 - same
        """Discard what was sent; what is still being worked out comes later, as from many real instruments."""
        while self.replies and self.replies[0].ready_ns <= now_ns:
            self.replies.popleft()

    def status_byte(self):
        return 0


def open_scripted(device, resource_name=INSTR, time_out_s=0.2):
    """Return an open transport to `device` and its clock; the manager lives as long as the transport."""
    clock = SimulatedClock(FakePlant())
    manager = simulated_resource_manager({resource_name: device}, clock)
    transport = open_visa(resource_name, resource_manager=manager, name="supply", time_out_s=time_out_s)
    return transport, clock
