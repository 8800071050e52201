"""A VISA library for PyVISA in this process and in simulated time.

PyVISA's own resource classes stand on it, so a driver runs as on a bench. A read without data advances the plant
until the reply is ready or the VISA time-out has passed; no wall time passes, and writing never advances.
Serves `TCPIP...::INSTR`, `TCPIP...::SOCKET`, `USB...::INSTR` and other message-based names; not serial ports.
Not modelled: locks, service requests, triggers, transfer time on the wire.
"""

import itertools
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, Self, cast

import pyvisa
from pyvisa import constants, rname
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa.highlevel import VisaLibraryBase
from pyvisa.typing import VISAEventContext, VISARMSession, VISASession
from pyvisa.util import LibraryPath

from instruments.simulated.clock import SimulatedClock
from instruments.simulated.scpi_instrument import Reply

_library_numbers = itertools.count(1)  # PyVISA takes two libraries of one path for the same library


class MessageDevice(Protocol):
    """A device behind a resource name; `scpi_instrument.ScpiInstrument` is one."""

    replies: deque[Reply]  # oldest first; the library removes what it has handed over

    def receive(self, data: bytes, *, now_ns: int, stream: bool) -> None:
        """Take bytes from the host; `stream` says that they come over a socket."""
        ...

    def clear(self, *, now_ns: int, stream: bool) -> None:
        """Clear input and output."""
        ...

    def status_byte(self) -> int:
        """Return the status byte as a serial poll reads it."""
        ...


def simulated_resource_manager(devices: Mapping[str, MessageDevice], clock: SimulatedClock) -> pyvisa.ResourceManager:
    """Return a resource manager of its own that finds `devices` by resource name; close it after use.

    Raises:
        ValueError: a resource name that is none.
    """
    return pyvisa.ResourceManager(SimulatedVisaLibrary(devices, clock))


@dataclass(slots=True)
class _Session:
    device: MessageDevice
    stream: bool
    attributes: dict[ResourceAttribute, Any] = field(default_factory=dict)


class SimulatedVisaLibrary(VisaLibraryBase):
    """What `pyvisa.ResourceManager` needs of a VISA library, in front of a registry of devices."""

    def __new__(cls, devices: Mapping[str, MessageDevice], clock: SimulatedClock) -> Self:  # noqa: ARG004
        """Make one library per bench; the arguments are those of `__init__`."""
        path = LibraryPath(f"simulated bench {next(_library_numbers)}", "boxproof")
        return cast("Self", super().__new__(cls, path))

    def __init__(self, devices: Mapping[str, MessageDevice], clock: SimulatedClock) -> None:
        self._devices = {rname.to_canonical_name(name): device for name, device in devices.items()}
        self._clock = clock
        self._sessions: dict[int, _Session] = {}
        self._next_session = 1

    def open_default_resource_manager(self) -> tuple[VISARMSession, StatusCode]:
        """Return the session of the resource manager."""
        session = VISARMSession(self._number())
        return session, self.handle_return_value(session, StatusCode.success)

    def list_resources(self, session: VISARMSession, query: str = "?*::INSTR") -> tuple[str, ...]:
        """Return the canonical names of the devices that match `query`."""
        del session
        return rname.filter(list(self._devices), query)

    def open(
        self,
        session: VISARMSession,
        resource_name: str,
        access_mode: constants.AccessModes = constants.AccessModes.no_lock,
        open_timeout: int = constants.VI_TMO_IMMEDIATE,
    ) -> tuple[VISASession, StatusCode]:
        """Open a session to a device; `VI_ERROR_RSRC_NFOUND` where none has that name."""
        del access_mode, open_timeout
        try:
            parsed = rname.ResourceName.from_string(resource_name)
        except rname.InvalidResourceName:
            return VISASession(0), self.handle_return_value(session, StatusCode.error_invalid_resource_name)
        name = str(parsed)
        if name not in self._devices:
            return VISASession(0), self.handle_return_value(session, StatusCode.error_resource_not_found)
        opened = VISASession(self._number())
        self._sessions[opened] = _Session(
            self._devices[name],
            stream=parsed.resource_class == "SOCKET",
            attributes={
                ResourceAttribute.timeout_value: 2000,
                ResourceAttribute.termchar: ord("\n"),
                ResourceAttribute.termchar_enabled: constants.VI_FALSE,
                ResourceAttribute.resource_name: name,
                ResourceAttribute.interface_type: parsed.interface_type_const,
                ResourceAttribute.resource_class: parsed.resource_class,
                ResourceAttribute.interface_number: int(getattr(parsed, "board", 0)),
                ResourceAttribute.send_end_enabled: constants.VI_TRUE,
                ResourceAttribute.suppress_end_enabled: constants.VI_FALSE,
            },
        )
        return opened, self.handle_return_value(opened, StatusCode.success)

    def close(self, session: VISASession | VISAEventContext | VISARMSession) -> StatusCode:
        """Close a session; what the device still holds stays with the device."""
        self._sessions.pop(session, None)
        return self.handle_return_value(session, StatusCode.success)

    def write(self, session: VISASession, data: bytes) -> tuple[int, StatusCode]:
        """Hand bytes to the device now."""
        opened = self._sessions[session]
        opened.device.receive(bytes(data), now_ns=self._clock.now_ns, stream=opened.stream)
        return len(data), self.handle_return_value(session, StatusCode.success)

    def read(self, session: VISASession, count: int) -> tuple[bytes, StatusCode]:
        """Return up to `count` bytes; the status says how the piece ended, `VI_ERROR_TMO` that none came in time.

        Over a socket nothing marks the end of a message: a read ends at the termination character, if that is
        enabled, or with `count` bytes.
        """
        opened = self._sessions[session]
        deadline_ns = self._clock.now_ns + opened.attributes[ResourceAttribute.timeout_value] * 1_000_000
        while True:
            taken = _take(opened, count, self._clock.now_ns)
            if taken is not None:
                return taken[0], self.handle_return_value(session, taken[1])
            coming_ns = [reply.ready_ns for reply in opened.device.replies if reply.ready_ns > self._clock.now_ns]
            if not coming_ns or coming_ns[0] > deadline_ns:
                break
            self._clock.advance_ns(coming_ns[0] - self._clock.now_ns)
        self._clock.advance_ns(deadline_ns - self._clock.now_ns)
        return b"", self.handle_return_value(session, StatusCode.error_timeout)

    def clear(self, session: VISASession) -> StatusCode:
        """Clear the device; over a socket, discard what it has sent."""
        opened = self._sessions[session]
        opened.device.clear(now_ns=self._clock.now_ns, stream=opened.stream)
        return self.handle_return_value(session, StatusCode.success)

    def flush(self, session: VISASession, mask: constants.BufferOperation) -> StatusCode:
        """Do nothing: no bytes rest between host and device."""
        del mask
        return self.handle_return_value(session, StatusCode.success)

    def read_stb(self, session: VISASession) -> tuple[int, StatusCode]:
        """Return the status byte; sockets have none."""
        opened = self._sessions[session]
        if opened.stream:
            return 0, self.handle_return_value(session, StatusCode.error_nonsupported_operation)
        return opened.device.status_byte(), self.handle_return_value(session, StatusCode.success)

    def get_attribute(
        self, session: VISASession | VISAEventContext | VISARMSession, attribute: ResourceAttribute | Any
    ) -> tuple[Any, StatusCode]:
        """Return an attribute of a session."""
        attributes = self._sessions[session].attributes if session in self._sessions else {}
        if attribute not in attributes:
            return None, self.handle_return_value(session, StatusCode.error_nonsupported_attribute)
        return attributes[attribute], self.handle_return_value(session, StatusCode.success)

    def set_attribute(self, session: VISASession, attribute: ResourceAttribute, attribute_state: Any) -> StatusCode:
        """Set an attribute; an endless time-out is refused, for nothing would ever end it here."""
        attributes = self._sessions[session].attributes if session in self._sessions else {}
        if attribute not in attributes:
            return self.handle_return_value(session, StatusCode.error_nonsupported_attribute)
        if attribute == ResourceAttribute.timeout_value and attribute_state == constants.VI_TMO_INFINITE:
            return self.handle_return_value(session, StatusCode.error_nonsupported_attribute_state)
        attributes[attribute] = attribute_state
        return self.handle_return_value(session, StatusCode.success)

    def disable_event(
        self, session: VISASession, event_type: constants.EventType, mechanism: constants.EventMechanism
    ) -> StatusCode:
        """Do nothing: there are no events. PyVISA calls this on every close."""
        del event_type, mechanism
        return self.handle_return_value(session, StatusCode.success)

    def discard_events(
        self, session: VISASession, event_type: constants.EventType, mechanism: constants.EventMechanism
    ) -> StatusCode:
        """Do nothing, as `disable_event`."""
        del event_type, mechanism
        return self.handle_return_value(session, StatusCode.success)

    def _number(self) -> int:
        number = self._next_session
        self._next_session += 1
        return number


def _take(opened: _Session, count: int, now_ns: int) -> tuple[bytes, StatusCode] | None:
    """Remove what one read gives from the replies that are ready; None when it has to wait."""
    replies = opened.device.replies
    ready = list(itertools.takewhile(lambda reply: reply.ready_ns <= now_ns, replies))
    if not ready:
        return None
    enabled = opened.attributes[ResourceAttribute.termchar_enabled]
    stop = opened.attributes[ResourceAttribute.termchar] if enabled else -1
    sources = ready if opened.stream else ready[:1]
    data = b"".join(bytes(reply.data) for reply in sources)
    stop_at = data.find(stop) if stop >= 0 else -1
    if 0 <= stop_at < count:
        n_bytes, status = stop_at + 1, StatusCode.success_termination_character_read
    elif len(data) > count or (opened.stream and len(data) == count):
        n_bytes, status = count, StatusCode.success_max_count_read
    elif opened.stream:
        return None
    else:
        n_bytes, status = len(data), StatusCode.success
    _remove(replies, n_bytes)
    return data[:n_bytes], status


def _remove(replies: deque[Reply], n_bytes: int) -> None:
    while n_bytes > 0:
        taken = min(n_bytes, len(replies[0].data))
        del replies[0].data[:taken]
        n_bytes -= taken
        if not replies[0].data:
            replies.popleft()
