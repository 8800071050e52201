"""Names and text that come from people: serial numbers are held to a form, free text is kept but made harmless."""

import re
import unicodedata

from bench.errors import UsageError

SERIAL_FORM = re.compile(r"[A-Z0-9][A-Z0-9-]{0,31}")
SIMULATED_PREFIX = "SIM-"
DEVICE_NAMES = frozenset(
    {"CON", "PRN", "AUX", "NUL"} | {f"{port}{number}" for port in ("COM", "LPT") for number in range(10)}
)
LONGEST_TEXT = 2000
LONGEST_LABEL = 60
REPLACEMENT = "\N{REPLACEMENT CHARACTER}"


def check_serial(serial: str, *, simulated: bool | None) -> str:
    """Return `serial` when it may name a unit on such a bench; `simulated` is None where the kind is not known.

    Raises:
        UsageError: it has another form, is a device name on Windows, or belongs to the other kind of bench.
    """
    shown = clean_text(serial)[:40]
    if SERIAL_FORM.fullmatch(serial) is None:
        raise UsageError(
            f"serial number {shown!r}: 1 to 32 of A to Z, 0 to 9 and '-' are allowed, not beginning with '-'. "
            "Write it in capitals and replace other characters with '-'."
        )
    if serial in DEVICE_NAMES:
        raise UsageError(
            f"serial number {shown!r} is the name of a device on Windows, so no folder can carry it. "
            f"Put something before it, for example SN-{serial}."
        )
    if simulated is not False and not serial.removeprefix(SIMULATED_PREFIX).strip("-"):
        raise UsageError(
            f"serial number {shown!r} names no unit: nothing follows {SIMULATED_PREFIX}. "
            f"Use {SIMULATED_PREFIX}0147, say."
        )
    if simulated and not serial.startswith(SIMULATED_PREFIX):
        raise UsageError(
            f"serial number {shown!r}: units on a simulated bench are called {SIMULATED_PREFIX}..., so that nobody "
            f"takes their records for real ones. Use {SIMULATED_PREFIX}{serial} or a real bench."
        )
    if simulated is False and serial.startswith(SIMULATED_PREFIX):
        raise UsageError(
            f"serial number {shown!r}: {SIMULATED_PREFIX} is kept for simulated benches. "
            "Use the serial number on the unit's plate, or a simulated bench."
        )
    return serial


def check_label(option: str, text: str) -> str:
    """Return what a plate or screen shows (a part number, a firmware version) without the spaces around it.

    Raises:
        UsageError: it is longer than a plate holds, or has characters that nobody sees.
    """
    label = text.strip()
    if clean_text(label) != label:
        raise UsageError(f"{option} {clean_text(label, 40)!r}: holds characters that nobody sees. Type it afresh.")
    if len(label) > LONGEST_LABEL:
        raise UsageError(
            f"{option} {clean_text(label, 40)!r}: {len(label)} characters, and there is room for {LONGEST_LABEL}. "
            "Put the rest into --remark."
        )
    return label


def clean_text(text: str, longest: int = LONGEST_TEXT) -> str:
    """Return free text as it may be kept and shown: one line, bounded, nothing in it that acts unseen.

    Control characters (line breaks among them), characters that turn the direction of writing, halves of
    surrogate pairs and code points that are no characters become U+FFFD, so that one sees where they stood.
    Markup is left as it is: whoever prints it escapes it. What is longer than `longest` is cut and ends in "...".
    """
    seen = "".join(REPLACEMENT if _acts_unseen(character) else character for character in text)
    return seen if len(seen) <= longest else seen[: longest - 3] + "..."


def _acts_unseen(character: str) -> bool:
    code = ord(character)
    return (
        unicodedata.category(character) in {"Cc", "Cs", "Zl", "Zp"}
        or unicodedata.bidirectional(character) in {"LRE", "RLE", "PDF", "LRO", "RLO", "LRI", "RLI", "FSI", "PDI"}
        or code & 0xFFFE == 0xFFFE
        or 0xFDD0 <= code <= 0xFDEF
    )
