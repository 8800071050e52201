"""The avionics bus as a CAN adapter that speaks ASCII lines over a serial link: python-can's interface `slcan`.

Lines end with a carriage return: `O` and `C` open and close the channel, `S0` to `S9` choose the bit rate, `tIIILDD..`
and `TIIIIIIIILDD..` carry standard and extended data frames. Others are refused with a bell.
What it does not model: the bit rate (the plant has its own), bus errors, time stamps.
"""

from instruments.simulated.port import PlantPort

DONE, REFUSED = b"\r", b"\a"
LONGEST_LINE = 64


class CanText:
    """The adapter's end of the line (satisfies `serial_link.SerialDevice`)."""

    def __init__(self, plant: PlantPort) -> None:
        self._plant = plant
        self._open = False
        self._line = b""
        self._out = bytearray()

    @property
    def now_ns(self) -> int:
        """Return plant time."""
        return self._plant.now_ns

    def take_from_host(self, data: bytes) -> None:
        """Execute the lines that `data` completes; one that never ends is refused."""
        *lines, self._line = (self._line + data).split(b"\r")
        for line in lines:
            if line:
                self._out += self._answer(line)
        if len(self._line) > LONGEST_LINE:
            self._line = b""
            self._out += REFUSED

    def waiting_bytes(self) -> int:
        """Return how many bytes the host can read now."""
        for _, identifier, data in self._plant.take_frames():
            if self._open:
                self._out += _line(identifier, data)
        return len(self._out)

    def give_to_host(self, n_bytes: int) -> bytes:
        """Return the next bytes, at most `n_bytes`."""
        data = bytes(self._out[:n_bytes])
        del self._out[:n_bytes]
        return data

    def next_bytes_ns(self) -> int | None:
        """Return that nobody knows when the next frame comes."""
        return None

    def _answer(self, line: bytes) -> bytes:
        command, rest = line[:1], line[1:]
        if command in b"OC" and not rest:
            self._open = command == b"O"
            return DONE
        if command == b"S" and not self._open and rest in {b"%d" % n for n in range(10)}:
            return DONE
        digits = {b"t": 3, b"T": 8}.get(command)
        if digits is None or not self._open:
            return REFUSED
        try:
            identifier, length = int(rest[:digits], 16), int(rest[digits : digits + 1], 16)
            data = bytes.fromhex(rest[digits + 1 :].decode("ascii"))
            if len(data) != length:
                return REFUSED
            self._plant.send_frame(identifier, data)
        except ValueError:  # no number, or no frame of this bus
            return REFUSED
        return b"z\r" if command == b"t" else b"Z\r"


def _line(identifier: int, data: bytes) -> bytes:
    name = f"t{identifier:03X}" if identifier <= 0x7FF else f"T{identifier:08X}"
    return f"{name}{len(data)}{data.hex().upper()}\r".encode("ascii")
