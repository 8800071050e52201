"""Status reporting of a simulated SCPI instrument: error queue, event registers, status byte.

IEEE 488.2 clause 11 and SCPI-1999 volume 1, chapter 9; error numbers of SCPI-1999 volume 2, chapter 21.
"""

from collections import deque

QUEUE_LENGTH = 17
MAX_DETAIL = 60  # characters after the standard text; the standard allows 255 in all

MESSAGES = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -161: "Invalid block data",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
}

OPERATION_COMPLETE = 1 << 0
POWER_ON = 1 << 7
_ALL_15_BITS = 0x7FFF


class ScpiError(Exception):
    """Something the instrument reports in its error queue; `detail` follows the standard text after a semicolon."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail


def standard_event_bit(number: int) -> int:
    """Return the bit of the standard event status register that an error or event number sets."""
    bits = {1: 5, 2: 4, 3: 3, 4: 2, 5: 7, 6: 6, 7: 1, 8: 0}
    return 3 if number > 0 else bits[-number // 100]  # positive numbers are the device's own


class EventRegister:
    """Condition, transition filters, latched event, enable: one of `STATus:OPERation`, `STATus:QUEStionable`."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0
        self.positive = _ALL_15_BITS
        self.negative = 0

    def update(self, condition: int) -> None:
        """Take the condition as it is now; filtered transitions latch as events."""
        rising, falling = condition & ~self.condition, self.condition & ~condition
        self.event |= rising & self.positive | falling & self.negative
        self.condition = condition

    def take_event(self) -> int:
        """Return the latched events and clear them."""
        event, self.event = self.event, 0
        return event

    def preset(self) -> None:
        """`STATus:PRESet`: nothing enabled, rising transitions latch; events stay."""
        self.enable, self.positive, self.negative = 0, _ALL_15_BITS, 0

    @property
    def summary(self) -> bool:
        """Say whether an enabled event is latched."""
        return bool(self.event & self.enable)


class Status:
    """Everything `*CLS` clears and `*STB?` sums up."""

    def __init__(self) -> None:
        self.queue: deque[tuple[int, str]] = deque()
        self.standard_event = POWER_ON
        self.standard_enable = 0
        self.service_enable = 0
        self.questionable = EventRegister()
        self.operation = EventRegister()

    def report(self, number: int, detail: str = "") -> None:
        """Queue an error and set its standard event; an overflow replaces the newest entry by -350."""
        self.standard_event |= 1 << standard_event_bit(number)
        if len(self.queue) == QUEUE_LENGTH:
            number, detail = -350, ""
            self.queue.pop()
        text = MESSAGES.get(number, "Device-specific error")
        shown = "".join(c if c.isascii() and c.isprintable() else "?" for c in detail[:MAX_DETAIL])
        self.queue.append((number, f"{text};{shown}" if shown else text))

    def take_error(self) -> str:
        """Return the oldest entry as `SYSTem:ERRor?` answers it and remove it."""
        number, text = self.queue.popleft() if self.queue else (0, MESSAGES[0])
        quoted = text.replace('"', '""')
        return f'{number},"{quoted}"'

    def take_standard_event(self) -> int:
        """Return the standard event status register and clear it."""
        event, self.standard_event = self.standard_event, 0
        return event

    def clear(self) -> None:
        """`*CLS`: queue and event registers; enables, filters and conditions stay."""
        self.queue.clear()
        self.standard_event = 0
        self.questionable.event = 0
        self.operation.event = 0

    def byte(self, *, message_available: bool) -> int:
        """Return the status byte with the master summary in bit 6."""
        value = (
            bool(self.queue) << 2
            | self.questionable.summary << 3
            | message_available << 4
            | bool(self.standard_event & self.standard_enable) << 5
            | self.operation.summary << 7
        )
        return value | bool(value & self.service_enable & ~(1 << 6)) << 6
