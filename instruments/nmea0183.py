"""NMEA 0183 sentences: `$`, what is said, `*`, a checksum, carriage return and line feed.

The checksum is the exclusive or of all characters between `$` and `*`, as two upper-case hexadecimal digits.
"""

from functools import reduce

LONGEST = 82  # characters, `$` and line end included
_RESERVED = frozenset("$*!\\^~\r\n")


def checksum(said: str) -> int:
    """Return the checksum of what stands between `$` and `*`.

    >>> f"{checksum('HCHDM,238,M'):02X}"
    '3E'
    """
    return reduce(lambda found, octet: found ^ octet, said.encode("ascii"), 0)


def encode_sentence(said: str) -> bytes:
    """Return the sentence as it goes out.

    Raises:
        ValueError: not plain ASCII, a character that has a meaning of its own, or too long.
    """
    if not said or not said.isascii() or not said.isprintable() or _RESERVED & set(said):
        raise ValueError(f"{said!r} can't stand in an NMEA 0183 sentence: plain ASCII without $ * ! \\ ^ ~")
    sentence = f"${said}*{checksum(said):02X}\r\n"
    if len(sentence) > LONGEST:
        raise ValueError(f"{said!r} makes a sentence of {len(sentence)} characters, NMEA 0183 has {LONGEST}")
    return sentence.encode("ascii")


def decode_sentence(sentence: bytes) -> str:
    """Return what a sentence says.

    Raises:
        ValueError: not framed as a sentence, without checksum, or with a wrong one.
    """
    body, star, digits = sentence.removesuffix(b"\r\n").partition(b"*")
    if not sentence.endswith(b"\r\n") or not body.startswith(b"$") or not star or not body.isascii():
        raise ValueError(f"{sentence!r} is no NMEA 0183 sentence with a checksum")
    said = body[1:].decode("ascii")
    wanted = f"{checksum(said):02X}"
    if digits.upper() != wanted.encode("ascii"):
        raise ValueError(f"{sentence!r} has checksum {digits.decode('ascii', 'replace')}, its characters make {wanted}")
    return said
