"""Bus interfaces by python-can: what its exceptions mean, said once."""

from collections.abc import Iterator
from contextlib import contextmanager

import can

from instruments.errors import InstrumentError, InstrumentLostError, InstrumentTimeoutError, SettingRefusedError


@contextmanager
def can_errors(instrument: str, command: str) -> Iterator[None]:
    """Translate what python-can raises inside the block; put nothing but calls of the bus into it.

    Raises:
        InstrumentTimeoutError: the interface did not take or give a frame in time.
        InstrumentLostError: bus off, not acknowledged, buffer full, unplugged or not there.
        SettingRefusedError: an interface, channel or setting that python-can does not know.
    """
    try:
        yield
    except InstrumentError:
        raise  # some are OSErrors too; a simulated bus can let other drivers run while it waits
    except can.CanTimeoutError as error:
        message = f"{instrument}: no answer to {command} in time ({error}). Check termination and the other nodes."
        raise InstrumentTimeoutError(message, instrument=instrument, command=command) from error
    except (ValueError, NotImplementedError) as error:  # CanInterfaceNotImplementedError is a NotImplementedError
        message = f"{instrument}: {command}: {error}. Check interface and channel in the bench sheet."
        raise SettingRefusedError(message, instrument=instrument, command=command) from error
    except (can.CanError, OSError) as error:
        message = f"{instrument}: bus lost at {command}: {error}. Check cable, termination, bit rate and the interface."
        raise InstrumentLostError(message, instrument=instrument, command=command) from error
