"""Foreign text made fit to print: nothing that a browser, a printer or the reader's eye could be misled by."""

import unicodedata

REPLACEMENT = "\N{REPLACEMENT CHARACTER}"

# Control characters, format characters (among them those that turn the direction of text), lone surrogates,
# and private or unassigned code points; HTML allows none of the first and third.
_UNFIT = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})
_KEPT = frozenset("\n\t\N{SOFT HYPHEN}")


def clean_text(text: str) -> str:
    """Replace every character that does not print by U+FFFD; line ends and tabs stay."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        REPLACEMENT if character not in _KEPT and unicodedata.category(character) in _UNFIT else character
        for character in text.replace("\r\n", "\n")
    )


def css_string(text: str) -> str:
    """Return `text` as a CSS string literal in which every character but plain letters and digits is an escape."""
    body = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in clean_text(text))
    return f'"{body}"'


def shorten(text: str, most: int) -> str:
    """Cut `text` to `most` characters, at the end of a word where there is one near, and show that it was cut."""
    flat = " ".join(clean_text(text).split())
    if len(flat) <= most:
        return flat
    head = flat[: most - 1]
    at_word = head.rfind(" ")
    return (head[:at_word] if at_word > 0.7 * most else head).rstrip(" ,;:") + "\N{HORIZONTAL ELLIPSIS}"
