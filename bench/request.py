"""What a person asks of a run, word for word; `bench.admission` says what can't be done of it."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRequest:
    """The words of `verify`, as typed; None where nothing was.

    `defects` are `ID` or `ID:SEVERITY`, `ambient_c` is in degrees Celsius. What the options mean: `bench.cli.verify`.
    """

    serial: str
    bench: str | None
    model: str | None = None
    aircraft: str | None = None
    plan: str | None = None  # the one that accepts the model
    records: str | Path = "records"
    seed: str = ""  # derived from the serial
    defects: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    operator: str = ""
    work_order: str = ""
    part: str = ""
    modification: str = ""
    firmware: str = ""
    ambient_c: str = ""
    squawk: str = ""
    squawk_conditions: str = ""
    squawk_reproduced: bool | None = None
    remark: str = ""
