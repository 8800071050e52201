"""What a simulated unit and a simulated bench are drawn from and can suffer, as frozen dataclasses.

Procedures never see any of this: it is returned beside the sheets, not in them.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from instruments.simulated.draw import DerivedCheck, QuantitySpec


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitDefect:
    """A way a unit can be wrong. `deviations`: flat quantity name -> deviation from nominal at severity 1."""

    id: str
    title: str
    function: str  # of the unit, in which it shows
    caught_by: tuple[str, ...]  # procedures
    findings: tuple[str, ...]  # that fail by it: ids, * for any text
    deviations: Mapping[str, float]
    caught_in: str = ""  # the plan that takes them so that it shows; "": any that has them


@dataclass(frozen=True, slots=True, kw_only=True)
class NotCaught:
    """A way a unit can be wrong that no procedure finds, and why; the twin can't be given it."""

    id: str
    title: str
    function: str
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchDefect:
    """A way a bench can be wrong. `kind` says what is spoilt, `target` which one, `value` how far at severity 1."""

    id: str
    title: str
    kind: str  # as `BenchDefectTable` lists them
    target: str  # stimulus, signal, line, output, source or position of the bus switch; "" where there is one only
    value: float  # A, V, ohm, s or a fraction, as its kind has it
    findings: tuple[str, ...]  # that end inconclusive by it, the bench's: ids, * for any text


@dataclass(frozen=True, slots=True, kw_only=True)
class Defect:
    """A line of the catalogue: what can be injected, and whether into the unit or the bench."""

    id: str
    of: str  # `unit` or `bench`
    title: str
    function: str  # of the unit; "" for the bench
    findings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSimulation:
    """Everything the twin needs beyond the unit sheet; quantities by flat name (`discrete-1.pull_ohm`)."""

    specs: Mapping[str, QuantitySpec]
    derived: tuple[DerivedCheck, ...]
    defects: tuple[UnitDefect, ...]
    not_caught: tuple[NotCaught, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSimulation:
    """What a simulated bench is drawn from: true errors lie evenly within `error_part` of every stated bound."""

    error_part: float
    source_resistance_ohm: float
    host_latency_s: tuple[float, float]
    defects: tuple[BenchDefect, ...]
