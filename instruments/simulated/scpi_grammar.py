"""How a simulated instrument takes a program message apart (IEEE 488.2 clause 7, SCPI-1999 volume 1, 6 to 8).

Messages are text with one character a byte (Latin-1), so that blocks survive. What can't be read raises `ScpiError`.
Not modelled: expressions, non-decimal numbers, channel lists.
"""

import math
import re
from dataclasses import dataclass

from instruments.simulated.scpi_status import ScpiError

MAX_MNEMONIC = 12

_HEADER_CHARACTERS = re.compile(r"[A-Za-z0-9_:*?]*")
_COMMON = re.compile(r"\*[A-Za-z]+\??")
_COMPOUND = re.compile(r":?[A-Za-z]\w*(:[A-Za-z]\w*)*\??", re.ASCII)
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*(\S*)", re.ASCII)
_WORD = re.compile(r"[A-Za-z]\w*", re.ASCII)
_NODE = re.compile(r"\[?:?([A-Z*]+)([a-z]*)(\])?:?")
_BLOCK_START = re.compile(r"#[0-9]")

_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class MessageUnit:
    """One command or query: its header in full from the root, upper case, without `?`, and its raw arguments."""

    header: str
    query: bool
    arguments: tuple[str, ...]


def message_end(text: str) -> int:
    """Return where the new line stands that ends the first message, blocks skipped; -1 when it has not come yet."""
    position = 0
    while True:
        end = text.find("\n", position)
        start = _BLOCK_START.search(text, position)
        if start is None or (end >= 0 and start.start() > end):
            return end
        block_end = _block_end(text, start.start())
        if block_end is None:
            return -1
        position = block_end


def split_units(message: str) -> list[str]:
    """Part a message at semicolons outside strings and blocks; empty units are dropped."""
    return [unit for unit in _split(message, ";") if unit.strip()]


def parse_unit(text: str, path: str) -> tuple[MessageUnit, str]:
    """Read one unit standing at header path `path` (`""` or `STAT:QUES:`); return it and the path after it.

    A leading colon starts at the root; a common command leaves the path alone (SCPI-1999 volume 1, 6.2.4).
    """
    header, rest = _partition_blank(text.lstrip())
    if not _HEADER_CHARACTERS.fullmatch(header):
        raise ScpiError(-101, header)
    if not (_COMMON.fullmatch(header) or _COMPOUND.fullmatch(header)):
        raise ScpiError(-102, header)
    query = header.endswith("?")
    name = header.rstrip("?").upper()
    if any(len(node) > MAX_MNEMONIC for node in name.strip(":*").split(":")):
        raise ScpiError(-112, header)
    arguments = tuple(_trimmed(part) for part in _split(rest, ",")) if rest.strip() else ()
    if name.startswith("*"):
        return MessageUnit(name, query, arguments), path
    full = name[1:] if name.startswith(":") else path + name
    nodes, colon, _ = full.rpartition(":")
    return MessageUnit(full, query, arguments), nodes + colon


def header_pattern(pattern: str) -> re.Pattern[str]:
    """Compile `[SOURce]:VOLTage[:LEVel]` to what matches its full or short forms, optional nodes left out or not."""
    expression = ""
    for match in _NODE.finditer(pattern):
        short, tail, optional = match.groups()
        node = f"{re.escape(short)}(?:{tail.upper()})?:" if tail else f"{re.escape(short)}:"
        expression += f"(?:{node})?" if optional else node
    return re.compile(expression)


def parse_number(text: str, unit: str) -> float:
    """Read decimal numeric data with an optional suffix, `9.5`, `9.5 V`, `100 mV`; returns it in `unit`."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ScpiError(-104, text)
    value = float(re.sub(r"\s", "", match[1]))
    suffix = match[2].upper()
    if not suffix:
        return value
    if not unit:
        raise ScpiError(-138, text)
    if not suffix.endswith(unit) or suffix[: -len(unit)] not in _MULTIPLIERS:
        raise ScpiError(-131, text)
    return value * _MULTIPLIERS[suffix[: -len(unit)]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A numeric parameter with a unit (`V`, `A`, or `""` for none), limits and the values of MIN, MAX and DEF."""

    unit: str
    low: float
    high: float
    default: float

    def parse(self, text: str) -> float:
        """Return the value in `unit`; -104, -131, -138, -222 or -224 where it can't be taken."""
        if _WORD.fullmatch(text):
            return self.named(text)
        value = parse_number(text, self.unit)
        if not self.low <= value <= self.high:
            raise ScpiError(-222, text)
        return value

    def named(self, text: str) -> float:
        """Return what MINimum, MAXimum or DEFault stand for."""
        names = {"MIN": self.low, "MAX": self.high, "DEF": self.default}
        if text.upper() not in {"MIN", "MINIMUM", "MAX", "MAXIMUM", "DEF", "DEFAULT"}:
            raise ScpiError(-104, text)
        return names[text.upper()[:3]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """A list of 1 to `most` numbers; it takes every argument of its command, so it is the only parameter there."""

    each: Number
    most: int

    def parse_all(self, texts: tuple[str, ...]) -> tuple[float, ...]:
        """Return the values; -109 without any, -108 where there are too many, or as `Number.parse`."""
        if not texts:
            raise ScpiError(-109)
        if len(texts) > self.most:
            raise ScpiError(-108)
        return tuple(self.each.parse(text) for text in texts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """A register's contents: rounded to a whole number from 0 to `high`."""

    high: int

    def parse(self, text: str) -> int:
        """Return it; -104, -138 or -222 where it can't be taken."""
        value = math.floor(parse_number(text, "") + 0.5)
        if not 0 <= value <= self.high:
            raise ScpiError(-222, text)
        return value


@dataclass(frozen=True, slots=True)
class Switch:
    """A Boolean parameter: ON, OFF or a number, which is on when it rounds to anything but 0."""

    def parse(self, text: str) -> bool:
        """Return it; -104, -138 or -224 where it can't be taken."""
        if text.upper() in {"ON", "OFF"}:
            return text.upper() == "ON"
        if _WORD.fullmatch(text):
            raise ScpiError(-224, text)
        return math.floor(parse_number(text, "") + 0.5) != 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One of several mnemonics such as `CURRent`, in its short or its full form."""

    words: tuple[str, ...]

    def parse(self, text: str) -> str:
        """Return its short form; -104 or -224 where it can't be taken."""
        if not _WORD.fullmatch(text):
            raise ScpiError(-104, text)
        for word in self.words:
            short = "".join(character for character in word if character.isupper())
            if text.upper() in {short, word.upper()}:
                return short
        raise ScpiError(-224, text)


@dataclass(frozen=True, slots=True)
class Block:
    """Arbitrary block data of definite or indefinite length."""

    def parse(self, text: str) -> bytes:
        """Return its bytes; -104 where it is no block, -161 where its length is wrong."""
        if not _BLOCK_START.match(text):
            raise ScpiError(-104, text[:20])
        if text[1] == "0":
            return text[2:].encode("latin-1")
        if _block_end(text, 0) != len(text):
            raise ScpiError(-161)
        return text[2 + int(text[1]) :].encode("latin-1")


Parameter = Number | Whole | Switch | Choice | Block


def definite_block(payload: bytes) -> bytes:
    """Write a block of definite length (IEEE 488.2, 8.7.9)."""
    length = str(len(payload))
    return f"#{len(length)}{length}".encode("ascii") + payload


def _block_end(text: str, start: int) -> int | None:
    """Return the index after the block that begins at `start`; None when it is not complete."""
    n_digits = int(text[start + 1])
    if n_digits == 0:
        return len(text)  # indefinite: up to the end of the message
    digits = text[start + 2 : start + 2 + n_digits]
    if len(digits) < n_digits:
        return None
    if not digits.isdigit():
        return start + 2  # no block; the parameter it stands in will be refused
    end = start + 2 + n_digits + int(digits)
    return end if end <= len(text) else None


def _partition_blank(text: str) -> tuple[str, str]:
    match = re.search(r"\s", text)
    return (text[: match.start()], text[match.end() :]) if match else (text, "")


def _trimmed(argument: str) -> str:
    """Strip white space around an argument, but none that belongs to a block."""
    argument = argument.lstrip()
    end = _block_end(argument, 0) if _BLOCK_START.match(argument) else 0
    return argument[:end] + argument[end:].rstrip()


def _split(text: str, separator: str) -> list[str]:
    if not any(mark in text for mark in "\"'#"):
        return text.split(separator)
    parts: list[str] = []
    begin = position = 0
    while position < len(text):
        character = text[position]
        if character in "\"'":
            closing = text.find(character, position + 1)
            if closing < 0:
                raise ScpiError(-151, text[position:])
            position = closing + 1
        elif _BLOCK_START.match(text, position):
            end = _block_end(text, position)
            if end is None:
                raise ScpiError(-161)
            position = end
        else:
            if character == separator:
                parts.append(text[begin:position])
                begin = position + 1
            position += 1
    return [*parts, text[begin:]]
