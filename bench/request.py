"""What a person asks of a run, checked before anything is opened."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRequest:
    """The words of `verify`: names as typed, defects as (id, severity)."""

    serial: str
    bench: str
    model: str | None = None
    aircraft: str | None = None
    plan: str | None = None  # the one that accepts the model
    records: Path = Path("records")
    seed: int | None = None
    defects: tuple[tuple[str, float], ...] = ()
    only: tuple[str, ...] = ()
    operator: str = ""
    work_order: str = ""
    squawk: str = ""
    remark: str = ""
