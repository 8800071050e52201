"""One error tree for everything an instrument can do wrong.

InstrumentError
+-- InstrumentTimeoutError   no reply in time (also a TimeoutError)
+-- InstrumentLostError      the link is gone: unplugged, refused, closed (also a ConnectionError)
+-- ProtocolError            a reply came that is not what the command asks for
+-- SettingRefusedError      a setting reads back as something else, or the instrument reported an error
+-- RatingExceededError      asked for more than the sheet says the instrument can do; nothing was sent
+-- LateScheduleError        an output was scheduled at an instant already past; it was not executed

Foreign exceptions are translated once, in `instruments.transports`.
"""


class InstrumentError(Exception):
    """Anything an instrument did wrong; carries instrument, command and reply, and says what to check."""

    def __init__(self, message: str, *, instrument: str = "", command: str = "", reply: str = "") -> None:
        super().__init__(message)
        self.instrument = instrument
        self.command = command
        self.reply = reply

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle with the context, so that an error survives a process boundary."""
        return _rebuild, (type(self), str(self), self.instrument, self.command, self.reply)


def _rebuild(kind: type[InstrumentError], message: str, instrument: str, command: str, reply: str) -> InstrumentError:
    return kind(message, instrument=instrument, command=command, reply=reply)


class InstrumentTimeoutError(InstrumentError, TimeoutError):
    """No reply within the stated time."""


class InstrumentLostError(InstrumentError, ConnectionError):
    """The link is gone."""


class ProtocolError(InstrumentError):
    """A reply that is not of the shape the command asks for."""


class SettingRefusedError(InstrumentError):
    """A setting that reads back differently, or an entry in the error queue."""


class RatingExceededError(InstrumentError, ValueError):
    """More than the instrument's sheet allows; refused before the wire."""


class LateScheduleError(InstrumentError):
    """An output scheduled at a sample already taken."""
