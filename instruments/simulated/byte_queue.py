"""Bytes on their way to the host, and how many data frames are among them."""

from collections import deque


class ByteQueue:
    """First in, first out. Its user bounds it by `n_data`, the data frames not yet wholly taken."""

    def __init__(self) -> None:
        self.n_bytes = 0
        self.n_data = 0
        self._chunks: deque[tuple[bytes, bool]] = deque()
        self._taken = 0  # bytes of the first chunk that are gone

    def put(self, chunk: bytes, *, is_data: bool = False) -> None:
        """Append a frame."""
        self._chunks.append((chunk, is_data))
        self.n_bytes += len(chunk)
        self.n_data += is_data

    def take(self, n_bytes: int) -> bytes:
        """Return the oldest bytes, at most `n_bytes`."""
        pieces: list[bytes] = []
        left = min(n_bytes, self.n_bytes)
        self.n_bytes -= left
        while left:
            chunk, is_data = self._chunks[0]
            piece = chunk[self._taken : self._taken + left]
            pieces.append(piece)
            left -= len(piece)
            self._taken += len(piece)
            if self._taken == len(chunk):
                self._chunks.popleft()
                self.n_data -= is_data
                self._taken = 0
        return b"".join(pieces)
