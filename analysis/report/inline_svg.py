"""A drawing library's SVG file made fit to stand inside an HTML page, next to others of its kind."""

import re
from collections.abc import Iterable
from xml.etree import ElementTree as ET

_SVG = "http://www.w3.org/2000/svg"
_XLINK_HREF = "{http://www.w3.org/1999/xlink}href"

# Only needed by a file of its own. A style sheet would apply to the whole page: the root says the same instead.
_DROPPED_TAGS = frozenset({f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"})
_DROPPED_ROOT_KEYS = ("width", "height", "version")
_ROOT = {"class": "plot", "role": "img", "stroke-linejoin": "round", "stroke-linecap": "butt"}

_REFERENCE = re.compile(r"#([A-Za-z_][\w.-]*)")
_FONT_FAMILY = re.compile(r"font-family:[^;]*;?\s*")
_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_BETWEEN_TAGS = re.compile(r">\s+<")


def inline_svg(document: str, prefix: str, label: str) -> str:
    """Return the `<svg>` element of `document` for inlining.

    Ids that something refers to begin with `prefix` afterwards, all others go; the fonts are the page's;
    coordinates keep a hundredth of a point, finer than any printer.

    Args:
        document: an SVG file as text, of our own making.
        prefix: letters and digits, different for every drawing of a page.
        label: what is read out aloud in the drawing's place.
    """
    ET.register_namespace("", _SVG)
    root = ET.fromstring(document)  # noqa: S314 - drawn a moment ago by the library, not read from anywhere
    used = set(_references(root))
    for element in root.iter():
        for child in [child for child in element if child.tag in _DROPPED_TAGS]:
            element.remove(child)
        attributes = {key: _rewritten(key, value, prefix) for key, value in element.attrib.items()}
        identifier = element.get("id")
        href = attributes.pop(_XLINK_HREF, None)
        attributes.pop("id", None)
        element.attrib.clear()
        element.attrib.update(attributes)
        if identifier in used:
            element.set("id", f"{prefix}-{identifier}")
        if href is not None:
            element.set("href", href)
    for key in _DROPPED_ROOT_KEYS:
        root.attrib.pop(key, None)
    root.attrib.update(_ROOT)
    root.set("aria-label", label)
    return _BETWEEN_TAGS.sub("><", ET.tostring(root, encoding="unicode"))


def _rewritten(key: str, value: str, prefix: str) -> str:
    if _refers(key, value):
        return _REFERENCE.sub(rf"#{prefix}-\1", value)
    if key == "style":
        return _FONT_FAMILY.sub("", value)
    if key in {"d", "x", "y", "transform"}:
        return _LONG_NUMBER.sub(lambda match: f"{float(match[0]):.2f}", value)
    return value


def _references(root: ET.Element) -> Iterable[str]:
    for element in root.iter():
        for key, value in element.attrib.items():
            if _refers(key, value):
                yield from _REFERENCE.findall(value)


def _refers(key: str, value: str) -> bool:
    return key == _XLINK_HREF or "url(#" in value
