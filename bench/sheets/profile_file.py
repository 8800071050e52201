"""A profile of the bus as it stands in TOML or in a table of recorded points, and the `Profile` it becomes."""

import csv
import io
import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field

from bench.errors import Problem, SheetError
from bench.sheets.fields import Name, PositiveHertz, PositiveSeconds, PositiveVolts, Seconds, Table, Title, Volts
from test_plans.profile import Certainty, Profile, Segment

MOST_POINTS = 100_000
FILL_IN = "FILL IN"  # what a sheet to begin with has where its writer must answer
_CERTAINTIES = {
    "published": Certainty.PUBLISHED,
    "common practice": Certainty.COMMON_PRACTICE,
    "unverified": Certainty.UNVERIFIED,
}


class StretchTable(Table):
    """A line of `course`: `to` a voltage `within` a time, `hold` for a time, or `open` for a time."""

    to: Volts | None = None
    within: PositiveSeconds | None = None
    hold: PositiveSeconds | None = None
    ripple: PositiveVolts | None = None  # amplitude about the level held
    ripple_frequency: PositiveHertz | None = None
    open: PositiveSeconds | None = None


class ProfileFile(Table):
    """A whole profile."""

    name: Name
    title: Title
    origin: Title
    edition: str = ""
    source: Title
    certainty: Literal["published", "common practice", "unverified"]
    unverified: tuple[Title, ...] = ()
    nominal_voltage: PositiveVolts
    starts_at: PositiveVolts
    tries: Annotated[int, Field(ge=1, le=100)] = 1
    rest: Seconds = 0.0
    course: Annotated[tuple[StretchTable, ...], Field(min_length=1)]


def check_profile(profile: ProfileFile, file: str) -> Iterator[Problem]:
    """Yield words still to fill in, every stretch that is not exactly one of the three kinds, ripples below nought."""
    for key in ("title", "origin", "edition", "source"):
        if FILL_IN in (words := str(getattr(profile, key))):
            yield Problem(file, key, f'found "{words}"', "say it in your own words: a finding prints it")
    level_v = profile.starts_at
    for index, stretch in enumerate(profile.course):
        key = f"course[{index}]"
        kinds = [name for name in ("to", "hold", "open") if getattr(stretch, name) is not None]
        if len(kinds) != 1:
            what = f"is {' and '.join(kinds)} at once" if kinds else "says nothing"
            yield Problem(file, key, what, 'give one of: to with within, "hold", "open"')
            continue
        if (stretch.to is None) != (stretch.within is None):
            missing = "within" if stretch.within is None else "to"
            yield Problem(file, f"{key}.{missing}", "is missing", "give to and within together")
        if (stretch.ripple is None) != (stretch.ripple_frequency is None):
            missing = "ripple" if stretch.ripple is None else "ripple-frequency"
            yield Problem(file, f"{key}.{missing}", "is missing", "give ripple and ripple-frequency together")
        if stretch.ripple is not None and stretch.hold is None:
            yield Problem(file, f"{key}.ripple", "stands on a stretch that is not held", "take it out, or give hold")
        level_v = stretch.to if stretch.to is not None else level_v
        if stretch.ripple is not None and stretch.ripple > level_v:
            what = f"swings below 0 V about {level_v:g} V"
            yield Problem(file, f"{key}.ripple", what, "give a smaller one")
    if profile.tries > 1 and profile.rest <= 0.0:
        yield Problem(file, "rest", "is missing", "say how long the bench rests between tries")


def to_profile(file: ProfileFile, digest: str) -> Profile:
    """Return the profile that procedures see."""
    segments: list[Segment] = []
    level_v = file.starts_at
    for stretch in file.course:
        if stretch.to is not None and stretch.within is not None:
            level_v = stretch.to
            segments.append(Segment(duration_s=stretch.within, voltage_v=level_v, level=False))
        elif stretch.hold is not None:
            segments.append(
                Segment(
                    duration_s=stretch.hold,
                    voltage_v=level_v,
                    level=True,
                    ripple_v=stretch.ripple or 0.0,
                    ripple_hz=stretch.ripple_frequency or 0.0,
                )
            )
        elif stretch.open is not None:
            segments.append(Segment(duration_s=stretch.open, voltage_v=level_v, level=True, open=True))
    return Profile(
        name=file.name,
        title=file.title,
        origin=file.origin,
        edition=file.edition,
        source=file.source,
        certainty=_CERTAINTIES[file.certainty],
        unverified=file.unverified,
        nominal_voltage_v=file.nominal_voltage,
        starts_at_v=file.starts_at,
        segments=tuple(segments),
        tries=file.tries,
        rest_s=file.rest,
        digest=digest,
    )


def read_recorded(text: str, file: str, *, name: str, nominal_voltage_v: float, digest: str) -> Profile:
    """Return a recorded course of the bus: a header line `time_s,voltage_v`, then rising times from 0.

    Raises:
        SheetError: every line that can't be, at most 20 of them.
    """
    rows = list(csv.reader(io.StringIO(text)))
    if not rows or [cell.strip() for cell in rows[0]] != ["time_s", "voltage_v"]:
        raise SheetError([Problem(file, "line 1", "is not the header", 'begin with the line "time_s,voltage_v"')])
    points: list[tuple[float, float]] = []
    problems: list[Problem] = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        problem = _row_fault(row, points)
        if problem:
            problems.append(Problem(file, f"line {number}", *problem))
        else:
            points.append((float(row[0]), float(row[1])))
    if not problems and not 2 <= len(points) <= MOST_POINTS:
        problems.append(Problem(file, "", f"has {len(points)} points", f"give 2 to {MOST_POINTS}"))
    if problems:
        raise SheetError(problems[:20])
    return Profile(
        name=name,
        title=f"Recorded course {name}",
        origin="recorded",
        edition="",
        source=file,
        certainty=Certainty.RECORDED,
        nominal_voltage_v=nominal_voltage_v,
        starts_at_v=points[0][1],
        segments=tuple(
            Segment(duration_s=after_s - before_s, voltage_v=after_v, level=after_v == before_v)
            for (before_s, before_v), (after_s, after_v) in pairwise(points)
        ),
        digest=digest,
    )


def _row_fault(row: list[str], points: list[tuple[float, float]]) -> tuple[str, str] | None:
    try:
        time_s, voltage_v = (float(cell) for cell in row)
    except ValueError:
        return "is not two numbers", "give seconds, a comma, volts"
    if not (math.isfinite(time_s) and math.isfinite(voltage_v)) or voltage_v < 0.0:
        return "has a figure that can't be", "give finite seconds and volts of 0 or more"
    if points and time_s <= points[-1][0]:
        return f"has {time_s:g} s after {points[-1][0]:g} s", "let the times rise"
    if not points and time_s != 0.0:
        return f"begins at {time_s:g} s", "begin at 0"
    return None
