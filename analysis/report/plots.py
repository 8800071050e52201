"""Curves drawn as small static SVG figures that may stand together in one HTML page.

matplotlib is loaded only when a figure is drawn, since it costs most of a second to import. It is used through
`Figure` objects alone, never through pyplot, and its settings hold for one figure at a time. The drawing is
deterministic: no date, no random ids. Series differ by stroke pattern and limits by hatching, never by colour
alone.
"""

import io
import math
import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from analysis.finding import Finding
from analysis.measurement import Curve
from analysis.report.inline_svg import inline_svg
from analysis.report.text import clean_text, shorten
from analysis.verdict import Verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_PLOTS = 40
MOST_POINTS = 320
MOST_TICKS = 6

FIGURE_WIDTH_IN = 3.45
FIGURE_HEIGHT_IN = 1.95

# Any: the library types its settings by a closed list of names that differs from version to version.
_SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "boxproof",
    "text.parse_math": False,  # a title with a dollar sign is a title
    "axes.formatter.use_mathtext": False,
    "axes.unicode_minus": False,
    "font.family": "sans-serif",
    "font.size": 7.0,
    "axes.linewidth": 0.6,
    "path.simplify": True,
    "hatch.linewidth": 0.4,
}
_STROKES = ("-", "--", "-.", ":")
_SIGNS = ("o", "x", "s", "^")  # of marks
_INKS = ("#111111", "#5a5a5a", "#000000", "#7a7a7a")


def choose_curves(curves: Sequence[Curve], findings: Sequence[Finding], most: int = MOST_PLOTS) -> tuple[Curve, ...]:
    """Choose at most `most` curves: those of fails and inconclusives first, then those with the least to spare.

    A curve belongs to the findings made of its capture, or where it names none to those of its function. The
    chosen ones keep the order they came in.
    """
    ranked = sorted(range(len(curves)), key=lambda index: (_rank(curves[index], findings), index))
    return tuple(curves[index] for index in sorted(ranked[:most]))


def findings_of(curve: Curve, findings: Sequence[Finding]) -> list[Finding]:
    """Return the findings a curve belongs to: those made of its capture, else all of its function."""
    by_capture = [f for f in findings if curve.capture and curve.capture in {f.capture, *f.captures}]
    return by_capture or [f for f in findings if f.function == curve.function]


def _rank(curve: Curve, findings: Sequence[Finding]) -> tuple[int, float]:
    related = findings_of(curve, findings)
    order = {Verdict.FAIL: 0, Verdict.INCONCLUSIVE: 1}
    worst = min((order.get(finding.verdict, 2) for finding in related), default=3)
    margins = [finding.margin_percent for finding in related if math.isfinite(finding.margin_percent)]
    return worst, min(margins, default=math.inf)


def decimate(
    x: Sequence[float], y: Sequence[float], most: int = MOST_POINTS
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Thin out a series to at most `most` points, keeping the lowest and the highest of every stretch.

    Points that are not finite are kept as NaN breaks only where a whole stretch has nothing else.
    """
    if len(x) <= most:
        return tuple(x), tuple(y)
    kept: list[int] = []
    stretches = max(1, most // 2)
    for number in range(stretches):
        stretch = range(number * len(x) // stretches, (number + 1) * len(x) // stretches)
        finite = [index for index in stretch if math.isfinite(y[index])]
        if finite:
            kept += sorted({min(finite, key=y.__getitem__), max(finite, key=y.__getitem__)})
        else:
            kept.append(stretch.start)
    return tuple(x[index] for index in kept), tuple(y[index] for index in kept)


def plot_svg(curve: Curve, prefix: str) -> str:
    """Draw one curve as an `<svg>` element for inlining; `prefix` makes its ids unique within the page.

    The title is not drawn: it belongs in the caption.
    """
    import matplotlib as mpl  # noqa: PLC0415 - costs most of a second, so only when a figure is drawn
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415 - same
    from matplotlib.figure import Figure  # noqa: PLC0415 - same

    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        # Text stays text, so the reader's own fonts show what the drawing library's font lacks.
        warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)
        figure = Figure(figsize=(FIGURE_WIDTH_IN, FIGURE_HEIGHT_IN), layout="constrained")
        FigureCanvasSVG(figure)
        _fill(figure.add_subplot(), curve)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return inline_svg(buffer.getvalue(), prefix, clean_text(curve.title))


def _fill(axes: "Axes", curve: Curve) -> None:
    for number, (name, (x, y)) in enumerate(curve.series.items()):
        axes.plot(
            *decimate(x, y),
            linestyle=_STROKES[number % len(_STROKES)],
            color=_INKS[number % len(_INKS)],
            linewidth=0.9,
            label=_label(name),
            zorder=3,
        )
    bands = [(name, *decimate(x, y)) for name, (x, y) in curve.bands.items()]
    for name, x, y in bands:
        axes.plot(x, y, color="#000000", linewidth=0.7, linestyle=(0, (6, 2, 1, 2)), label=_label(name), zorder=2)
    for number, (name, (x, y)) in enumerate(curve.marks.items()):
        axes.plot(
            *decimate(x, y),
            linestyle="none",
            marker=_SIGNS[number % len(_SIGNS)],
            markersize=3.5,
            markerfacecolor="none",
            color=_INKS[0],
            markeredgewidth=0.8,
            label=_label(name),
            zorder=4,
        )
    if len(curve.bands) == 2:
        _shade(axes, *curve.bands.values())
    axes.set_xlabel(_label(curve.x_label))
    axes.set_ylabel(_label(curve.y_label))
    drawn = (*curve.series.values(), *curve.bands.values(), *curve.marks.values())
    if curve.logarithmic_x and any(value > 0.0 for x, _ in drawn for value in x):
        _space_by_ratio(axes)
    else:
        axes.locator_params(nbins=MOST_TICKS)
    axes.grid(visible=True, color="#d5d9dd", linewidth=0.4)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(length=2.0, width=0.5)
    n_names = len(curve.series) + len(bands) + len(curve.marks)
    if n_names > 1:
        axes.legend(
            loc="lower center",
            bbox_to_anchor=(0.5, 1.0),
            ncols=min(4, n_names),
            frameon=False,
            fontsize=6.5,
            handlelength=2.6,
            columnspacing=1.2,
            borderaxespad=0.2,
        )


def _space_by_ratio(axes: "Axes") -> None:
    """Set a logarithmic x axis, its ticks at 1, 2 and 5 and written as plain numbers."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator  # noqa: PLC0415 - as in `plot_svg`

    axes.set_xscale("log")
    axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.locator_params(axis="y", nbins=MOST_TICKS)


def _shade(
    axes: "Axes", first: tuple[Sequence[float], Sequence[float]], second: tuple[Sequence[float], Sequence[float]]
) -> None:
    """Shade between two limit lines where they stand over the same points."""
    if first[0] != second[0]:
        return
    every = slice(None, None, 1 + len(first[0]) // MOST_POINTS)
    axes.fill_between(first[0][every], first[1][every], second[1][every], color="#e9ecef", linewidth=0.0, zorder=1)


def _label(text: str) -> str:
    # A leading underscore would make matplotlib drop the name from the legend.
    shown = shorten(text, 40)
    return f" {shown}" if shown.startswith("_") else shown
