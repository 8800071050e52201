"""A plan as it stands in TOML, what it must hold, and the `Plan` it becomes."""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import Field

from bench.errors import Problem
from bench.sheets.fields import Condition, Knots, Name, PositiveSeconds, Seconds, Table, Title
from bench.sheets.schema import suggestion
from bench.sheets.source import join_key
from bench.sheets.units import (
    CURRENT,
    TIME,
    VOLTAGE,
    VOLTAGE_RATE,
    Quantity,
    read_quantity,
    show,
)
from test_plans.procedure import Procedure
from test_plans.profile import Profile
from test_plans.sheets import Plan, Repeat, Step, UnitSheet

# Every condition a procedure may be given, and what its value is: a figure with a unit, a whole number, text, a list.
CONDITIONS: Mapping[str, Quantity | type] = {
    "voltage": VOLTAGE,
    "high-voltage": VOLTAGE,
    "low-voltage": VOLTAGE,
    "level": VOLTAGE,
    "current": CURRENT,
    "current-limit": CURRENT,
    "ramp-rate": VOLTAGE_RATE,
    "first-rate": VOLTAGE_RATE,
    "last-rate": VOLTAGE_RATE,
    "rates": int,
    "settle": TIME,
    "hold": TIME,
    "short": TIME,
    "long": TIME,
    "soak-time": TIME,
    "load": str,
    "axes": tuple,
    "rheostats": tuple,
    "profiles": tuple,
    "points": int,
    "edges": int,
    "pulses": int,
    "trials": int,
    "toggles": int,
}
LEAST = {"points": 2}  # a curve of one point has no step; every other whole number is 1 or more
ConditionValue = bool | int | str | tuple[str, ...]
STAGES = (
    "bench",
    "unpowered",
    "power-up",
    "inputs",
    "unloaded outputs",
    "light load",
    "full load",
    "brownout",
    "final",
)


UNTIL_EVENT = "event"
FINAL_REPEAT = "final-repeat"  # the procedure that compares the reset count with what the plan has asked for
BEFORE_EVENT_S = 30.0
MOST_TRIES = 100_000  # each leaves a few lines in the journal
NOT_REPEATED = ("bench", "unpowered", "final")  # stages that are about the bench, or count on what was done once


class RepeatTable(Table):
    """How a step is taken over and over: until an event, or to the end of its tries or bench time."""

    until: Literal["event", "end"]
    tries: Annotated[int, Field(ge=2, le=MOST_TRIES)] | None = None
    bench_time: PositiveSeconds | None = None
    keep_before_event: Seconds = BEFORE_EVENT_S


class StepTable(Table):
    """A line of a plan's `steps`."""

    procedure: Name
    stage: Literal[STAGES]  # type: ignore[valid-type]  # the tuple above, so that the list stands once
    gated_by: tuple[Name, ...]
    conditions: dict[str, Condition] = Field(default_factory=dict)
    repeat: RepeatTable | None = None


class PlanFile(Table):
    """A whole plan."""

    name: Name
    title: Title
    single_function: bool = False
    shortened: bool = False  # it takes the most telling part of each function only
    airspeed: Knots
    steps: Annotated[tuple[StepTable, ...], Field(min_length=1)]


def check_plan(plan: PlanFile, procedures: Collection[str], unit: UnitSheet | None, file: str) -> Iterator[Problem]:
    """Yield procedures and conditions that are not known, gates that don't come before, stages out of order.

    With a unit sheet, also the names of axes and rheostats that the model does not have.
    """
    planned = [step.procedure for step in plan.steps]
    for index, step in enumerate(plan.steps):
        key = f"steps[{index}]"
        if step.procedure not in procedures:
            what = f'there is no procedure "{step.procedure}"'
            yield Problem(file, f"{key}.procedure", what, suggestion(step.procedure, procedures, "procedures"))
        elif step.procedure in planned[:index]:
            yield Problem(file, f"{key}.procedure", f'"{step.procedure}" stands twice', "take one out")
        if index and STAGES.index(step.stage) < STAGES.index(plan.steps[index - 1].stage):
            what = f'"{step.stage}" comes after "{plan.steps[index - 1].stage}"'
            yield Problem(file, f"{key}.stage", what, f"keep the order of work: {', '.join(STAGES)}")
        for place, gate in enumerate(step.gated_by):
            if gate not in planned[:index]:
                what = f'waits for "{gate}", which comes later' if gate in planned else f'there is no step "{gate}"'
                mend = suggestion(gate, planned[:index], "earlier steps")
                yield Problem(file, f"{key}.gated-by[{place}]", what, mend)
        for name, value in step.conditions.items():
            here = join_key(f"{key}.conditions", name)
            yield from _condition(here, name, value, file)
            if unit is not None and isinstance(value, tuple):
                yield from _listed(here, name, value, unit, file)
        yield from _crossed(f"{key}.conditions", step.conditions, file)
        yield from _repeated(f"{key}.repeat", step, planned[index + 1 :], file)


def check_conditions_used(plan: PlanFile, procedures: Mapping[str, Procedure], file: str) -> Iterator[Problem]:
    """Yield conditions that would be read by nobody: whoever wrote them believes that they hold."""
    for index, step in enumerate(plan.steps):
        if step.procedure not in procedures:
            continue
        keys = procedures[step.procedure].conditions
        used = ", ".join(name for name in CONDITIONS if condition_key(name) in keys) or "none"
        for name in step.conditions:
            if name in CONDITIONS and condition_key(name) not in keys:
                what = f"{step.procedure} does not use this condition"
                yield Problem(file, f"steps[{index}].conditions.{name}", what, f"take it out; it uses: {used}")


def condition_key(name: str) -> str:
    """Return the key under which procedures read a condition: `current-limit` is their `current_limit_a`."""
    wanted, key = CONDITIONS[name], name.replace("-", "_")
    return f"{key}_{wanted.suffix}" if isinstance(wanted, Quantity) else key


def named_profiles(file: PlanFile) -> tuple[str, ...]:
    """Return every profile of the bus that its steps name, each once."""
    listed = (step.conditions.get("profiles", ()) for step in file.steps)
    return tuple(dict.fromkeys(name for names in listed if isinstance(names, tuple) for name in names))


def to_plan(file: PlanFile, digest: str, profiles: Mapping[str, Profile] = MappingProxyType({})) -> Plan:
    """Return the plan; figures in SI, their keys ending in the unit (`current_limit_a`)."""
    return Plan(
        name=file.name,
        title=file.title,
        single_function=file.single_function,
        shortened=file.shortened,
        airspeed_kt=file.airspeed,
        steps=tuple(
            Step(
                procedure=step.procedure,
                stage=step.stage,
                gated_by=step.gated_by,
                conditions=dict(_converted(name, value) for name, value in step.conditions.items()),
                repeat=_to_repeat(step.repeat),
            )
            for step in file.steps
        ),
        profiles=profiles,
        digest=digest,
    )


def _condition(key: str, name: str, value: object, file: str) -> Iterator[Problem]:
    if name not in CONDITIONS:
        yield Problem(file, key, "no procedure knows this condition", suggestion(name, CONDITIONS, "conditions"))
        return
    wanted = CONDITIONS[name]
    if isinstance(wanted, Quantity):
        try:
            figure = read_quantity(value, wanted)
        except ValueError as fault:
            what, _, mend = str(fault).partition(", wanted ")
            yield Problem(file, key, what, f"give {mend}")
            return
        if figure < 0 or (wanted is VOLTAGE_RATE and figure == 0):
            least = "more than zero" if wanted is VOLTAGE_RATE else "zero or more"
            yield Problem(file, key, f"found {show(value)}", f"give {least}")
    elif not isinstance(value, wanted) or isinstance(value, bool):
        yield Problem(file, key, f"found {show(value)}", f"give {_WORDS[wanted]}")
    elif isinstance(value, int) and value < LEAST.get(name, 1):
        yield Problem(file, key, f"found {value}", f"give {LEAST.get(name, 1)} or more")


def _crossed(key: str, conditions: Mapping[str, object], file: str) -> Iterator[Problem]:
    """Yield a low voltage that is not below the high one, a first rate above the last."""
    yield from _in_order(key, conditions, ("low-voltage", "high-voltage"), VOLTAGE, file)
    yield from _in_order(key, conditions, ("first-rate", "last-rate"), VOLTAGE_RATE, file)


def _in_order(
    key: str, conditions: Mapping[str, object], names: tuple[str, str], quantity: Quantity, file: str
) -> Iterator[Problem]:
    lower, upper = names
    try:
        low, high = (read_quantity(conditions[name], quantity) for name in names)
    except (KeyError, ValueError):
        return  # not both there, or said already
    alike = quantity is VOLTAGE_RATE and low == high  # a scan of one rate
    if low >= high and not alike:
        what = f"{show(conditions[lower])} is not below {upper} {show(conditions[upper])}"
        yield Problem(file, f"{key}.{lower}", what, "swap the two, or correct one")


def _repeated(key: str, step: StepTable, later: Sequence[str], file: str) -> Iterator[Problem]:
    """Yield a repetition without an end, of a step that is taken once, or that spoils the counts of a later one."""
    if step.repeat is None:
        return
    if step.repeat.tries is None and step.repeat.bench_time is None:
        yield Problem(file, key, "it has no end", 'add tries = 200, bench-time = "20 min" or both')
    if step.stage in NOT_REPEATED:
        yield Problem(file, key, f"a step of stage {step.stage} is taken once", "take it out")
    if FINAL_REPEAT in later:
        what = f"{FINAL_REPEAT} comes later, and counts each step once"
        yield Problem(file, key, what, f"take it out, or the step {FINAL_REPEAT}")


def _to_repeat(table: RepeatTable | None) -> Repeat | None:
    if table is None:
        return None
    return Repeat(
        tries=MOST_TRIES if table.tries is None else table.tries,
        bench_time_s=math.inf if table.bench_time is None else table.bench_time,
        until_event=table.until == UNTIL_EVENT,
        before_event_s=table.keep_before_event,
    )


def _listed(key: str, name: str, value: Sequence[str], unit: UnitSheet, file: str) -> Iterator[Problem]:
    known = {
        "axes": [axis.name for axis in unit.trims],
        "rheostats": [rheostat.name for rheostat in unit.rheostats],
    }.get(name)
    if known is None:
        return  # profiles are files of their own
    for place, entry in enumerate(value):
        if entry not in known:
            what = f'model {unit.model} has no "{entry}"'
            yield Problem(file, f"{key}[{place}]", what, suggestion(entry, known, name))


_WORDS: Mapping[type, str] = {str: "text in quotes", int: "a whole number", tuple: "a list of names"}


def _converted(name: str, value: ConditionValue) -> tuple[str, float | ConditionValue]:
    wanted = CONDITIONS[name]
    return condition_key(name), read_quantity(value, wanted) if isinstance(wanted, Quantity) else value
