"""A SCPI instrument in software: a table of commands behind the grammar, the common commands, and timed replies.

A face (such as `supply_face`) gives it the commands of its kind; the VISA library in `visa_library` carries its bytes.
Commands take effect when their message arrives; what the processing takes delays the reply.
Not modelled: overlapped commands, service requests, local and remote states, and -420 when a host reads without
having asked (it waits in vain here, as over a socket).
"""

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from instruments.simulated.scpi_grammar import (
    MessageUnit,
    Number,
    Numbers,
    Parameter,
    Whole,
    definite_block,
    header_pattern,
    message_end,
    parse_unit,
    split_units,
)
from instruments.simulated.scpi_status import OPERATION_COMPLETE, EventRegister, ScpiError, Status

SET_DURATION_NS = 500_000
QUERY_DURATION_NS = 1_000_000
INPUT_BUFFER_BYTES = 1 << 16
SCPI_VERSION = "1999.0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One header of the table, with what it does as a command, as a query, or both.

    `action` is called with the parsed parameters, with one tuple of them for `Numbers`; `query` returns text, or bytes
    to be sent as a block. The query of a command with one `Number` also takes MIN, MAX or DEF. Either may raise
    `ScpiError`.
    """

    pattern: str
    parameters: tuple[Parameter, ...] | Numbers = ()
    action: Callable[..., None] | None = None
    query: Callable[[], str | bytes] | None = None
    duration_ns: int | None = None  # None: 0.5 ms as a command, 1 ms as a query


@dataclass(slots=True)
class Reply:
    """A response message, ready to be read from `ready_ns` on; `data` shrinks as it is read."""

    ready_ns: int
    data: bytearray


class ScpiInstrument:
    """A message-based device for `visa_library`: bytes in, timed replies out."""

    def __init__(
        self,
        *,
        identity: str,
        commands: Iterable[Command],
        reset: Callable[[], None],
        refresh: Callable[[Status], None],
    ) -> None:
        """Build the table.

        Args:
            identity: four fields with commas, the reply to `*IDN?`.
            commands: of this kind of instrument; common, STATus and SYSTem commands are added.
            reset: what `*RST` does.
            refresh: called before every command, to bring the condition registers up to date.
        """
        self.status = Status()
        self.replies: deque[Reply] = deque()
        self._identity = identity
        self._reset = reset
        self._refresh = refresh
        self._input = ""
        self._busy_until_ns = 0
        self._table = [(header_pattern(command.pattern), command) for command in [*self._own_commands(), *commands]]
        self._found: dict[str, Command] = {}

    def receive(self, data: bytes, *, now_ns: int, stream: bool) -> None:
        """Take bytes from the host.

        Args:
            data: part of a message, a message, or several.
            now_ns: plant time.
            stream: from a socket, where a new line alone ends a message; elsewhere `data` ends one too, and a reply
                still unread when a new message comes is lost (-410).
        """
        if not stream and self.replies and not self._input:
            self.replies.clear()
            self.status.report(-410)
        self._input += data.decode("latin-1")
        while (end := message_end(self._input)) >= 0:
            message, self._input = self._input[:end], self._input[end + 1 :]
            self._answer(message, now_ns)
        if not stream and self._input:
            message, self._input = self._input, ""
            self._answer(message, now_ns)
        if len(self._input) > INPUT_BUFFER_BYTES:
            self._input = ""
            self.status.report(-363)

    def clear(self, *, now_ns: int, stream: bool) -> None:
        """Clear input and output as a device clear does; over a socket only what has been sent can be discarded."""
        if stream:
            while self.replies and self.replies[0].ready_ns <= now_ns:
                self.replies.popleft()
            return
        self._input = ""
        self._busy_until_ns = now_ns
        self.replies.clear()

    def status_byte(self) -> int:
        """Return the status byte as a serial poll reads it."""
        self._refresh(self.status)
        return self.status.byte(message_available=bool(self.replies))

    def _answer(self, message: str, now_ns: int) -> None:
        responses, duration_ns = self._execute(message)
        self._busy_until_ns = max(self._busy_until_ns, now_ns) + duration_ns
        if responses:
            self.replies.append(Reply(self._busy_until_ns, bytearray(b";".join(responses) + b"\n")))

    def _execute(self, message: str) -> tuple[list[bytes], int]:
        """Execute every unit of a message; one that is refused leaves its error, the others are executed."""
        responses: list[bytes] = []
        duration_ns = 0
        path = ""
        try:
            units = split_units(message)
        except ScpiError as error:
            self.status.report(error.number, error.detail)
            return responses, SET_DURATION_NS
        for text in units:
            self._refresh(self.status)
            duration_ns += SET_DURATION_NS
            try:
                unit, path = parse_unit(text, path)
                command = self._find(unit)
                usual_ns = QUERY_DURATION_NS if unit.query else SET_DURATION_NS
                duration_ns += (usual_ns if command.duration_ns is None else command.duration_ns) - SET_DURATION_NS
                if unit.query:
                    responses.append(_ask(command, unit.arguments))
                else:
                    _act(command, unit.arguments)
            except ScpiError as error:
                self.status.report(error.number, error.detail)
        return responses, duration_ns

    def _find(self, unit: MessageUnit) -> Command:
        command = self._found.get(unit.header)
        if command is None:
            for pattern, candidate in self._table:
                if pattern.fullmatch(unit.header + ":"):
                    command = self._found[unit.header] = candidate
                    break
        if command is None or (command.query if unit.query else command.action) is None:
            raise ScpiError(-113, unit.header + "?" * unit.query)
        return command

    def _own_commands(self) -> list[Command]:
        status = self.status
        byte = Whole(high=255)

        def complete() -> None:
            status.standard_event |= OPERATION_COMPLETE

        def set_standard_enable(value: int) -> None:
            status.standard_enable = value

        def set_service_enable(value: int) -> None:
            status.service_enable = value

        def preset() -> None:
            status.questionable.preset()
            status.operation.preset()

        return [
            Command(pattern="*CLS", action=status.clear),
            Command(
                pattern="*ESE",
                parameters=(byte,),
                action=set_standard_enable,
                query=lambda: str(status.standard_enable),
            ),
            Command(pattern="*ESR", query=lambda: str(status.take_standard_event())),
            Command(pattern="*IDN", query=lambda: self._identity),
            Command(pattern="*OPC", action=complete, query=lambda: "1"),
            Command(pattern="*RST", action=self._reset),
            Command(
                pattern="*SRE",
                parameters=(byte,),
                action=set_service_enable,
                query=lambda: str(status.service_enable),
            ),
            Command(pattern="*STB", query=lambda: str(status.byte(message_available=bool(self.replies)))),
            Command(pattern="*TST", query=lambda: "0"),
            Command(pattern="*WAI", action=lambda: None),  # every command here is complete when the next begins
            Command(pattern="STATus:PRESet", action=preset),
            *_register_commands("STATus:QUEStionable", status.questionable),
            *_register_commands("STATus:OPERation", status.operation),
            Command(pattern="SYSTem:ERRor[:NEXT]", query=status.take_error),
            Command(pattern="SYSTem:ERRor:COUNt", query=lambda: str(len(status.queue))),
            Command(pattern="SYSTem:VERSion", query=lambda: SCPI_VERSION),
        ]


def _register_commands(root: str, register: EventRegister) -> list[Command]:
    word = Whole(high=0xFFFF)

    def set_enable(value: int) -> None:
        register.enable = value & 0x7FFF  # bit 15 is never used (SCPI-1999 volume 1, 9.2)

    def set_positive(value: int) -> None:
        register.positive = value & 0x7FFF

    def set_negative(value: int) -> None:
        register.negative = value & 0x7FFF

    return [
        Command(pattern=f"{root}[:EVENt]", query=lambda: str(register.take_event())),
        Command(pattern=f"{root}:CONDition", query=lambda: str(register.condition)),
        Command(pattern=f"{root}:ENABle", parameters=(word,), action=set_enable, query=lambda: str(register.enable)),
        Command(
            pattern=f"{root}:PTRansition", parameters=(word,), action=set_positive, query=lambda: str(register.positive)
        ),
        Command(
            pattern=f"{root}:NTRansition", parameters=(word,), action=set_negative, query=lambda: str(register.negative)
        ),
    ]


def _act(command: Command, arguments: tuple[str, ...]) -> None:
    if isinstance(command.parameters, Numbers):
        if command.action is not None:
            command.action(command.parameters.parse_all(arguments))
        return
    if len(arguments) > len(command.parameters):
        raise ScpiError(-108)
    if len(arguments) < len(command.parameters):
        raise ScpiError(-109)
    values = [parameter.parse(text) for parameter, text in zip(command.parameters, arguments, strict=True)]
    if command.action is not None:
        command.action(*values)


def _ask(command: Command, arguments: tuple[str, ...]) -> bytes:
    if arguments:
        if (
            isinstance(command.parameters, Numbers)
            or len(arguments) > 1
            or len(command.parameters) != 1
            or not isinstance(command.parameters[0], Number)
        ):
            raise ScpiError(-108)
        return f"{command.parameters[0].named(arguments[0]):.4f}".encode("ascii")
    answer = command.query() if command.query is not None else ""
    return definite_block(answer) if isinstance(answer, bytes) else answer.encode("ascii")
