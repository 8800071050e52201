"""What a procedure is: needs, stimulate, evaluate, and at most a follow-up."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

from analysis.capture import Capture
from analysis.measurement import Measurement, Result
from test_plans.profile_way import Way
from test_plans.proved_pins import Proof
from test_plans.rig import Rig
from test_plans.sheets import Setup


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureNeed:
    """One capture that a procedure will take: what the plan check holds against the bench."""

    name: str
    signals: tuple[str, ...]
    lines: tuple[str, ...] = ()
    sample_rate_hz: float
    duration_s: float
    highest_v: dict[str, float] = field(default_factory=dict)  # largest magnitude expected on a signal, own unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What a procedure needs of the bench, and the bench time it takes."""

    bench_time_s: float
    captures: tuple[CaptureNeed, ...] = ()
    highest_voltage_v: float = 0.0  # of the supply
    supply_current_a: float = 0.0  # largest a conforming unit with its loads draws; the limit must be 1.3 times this
    current_limit_a: float = 0.0  # that the procedure will set
    loads: tuple[tuple[str, str], ...] = ()  # (output, position)
    load_current_a: float = 0.0  # through each of `loads`
    light_loads: tuple[tuple[str, str], ...] = ()  # (output, position) that only have to be there: they draw little
    brakes: tuple[str, ...] = ()  # outputs whose motor must be held still
    stimuli: tuple[str, ...] = ()
    stimulus_v: float = 0.0  # highest level asked of any of them
    switches: tuple[str, ...] = ()
    paths: tuple[str, ...] = ()
    drawn_from: tuple[str, ...] = ()  # outputs (or `plug`) that the electronic load draws from
    drawn_a: float = 0.0  # most current it is set to
    drawn_w: float = 0.0  # most power it may have to take
    drawn_reversed: bool = False  # its leads must be exchanged on the way
    bus: bool = False  # the avionics bus
    airspeed: bool = False  # by the unit's route
    limits: tuple[tuple[str, float], ...] = ()  # (limit key, expected standard uncertainty)
    ways: tuple[Way, ...] = ()  # how profiles of the bus are followed on this bench, or why one is not
    untested: tuple[str, ...] = ()  # sentences: what of its characteristic it can't show on a bench of this kind

    def waits_for(self, gate: "Needs") -> bool:
        """Say whether this waits for a step that needs `gate`; what draws nothing waits for no proof of the load."""
        return bool(self.drawn_from) or not gate.drawn_from


class Evidence(Protocol):
    """The captures of one procedure, and what earlier procedures of the run measured."""

    def has(self, name: str) -> bool:
        """Say whether the capture is there."""
        ...

    def capture(self, name: str) -> Capture:
        """Return one capture of this procedure.

        Raises:
            MissingCaptureError: it was not taken, or nothing of it is readable.
        """
        ...

    def names(self) -> Sequence[str]:
        """Return the names of all captures of this procedure, in the order taken."""
        ...

    def earlier(self, measurement_id: str) -> Measurement | None:
        """Return a measurement of an earlier procedure of this run."""
        ...

    def held_pins(self) -> Mapping[str, Proof]:
        """Return the pins that earlier procedures of this run proved to be held by the unit, and by what."""
        ...


class MissingCaptureError(LookupError):
    """A capture that `evaluate` asked for is not there: what rests on it is inconclusive, cause bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotForModel:
    """Why a procedure is left out for a model; `untested` says what of the unit stays unknown by that, "" for nothing.

    A function the model has not got leaves nothing unknown. One it has but does not show does.
    """

    reason: str
    untested: str = ""


@runtime_checkable
class Selective(Protocol):
    """A procedure that is not for every model. One that is for all of them need not say so."""

    def not_for_model(self, setup: Setup) -> NotForModel | None:
        """Return why this model's sheet gives it nothing to do; None where it applies. Pure; asked before `needs`."""
        ...


@runtime_checkable
class Disturbing(Protocol):
    """A procedure that moves the bus beyond what the unit must work at, and judges by itself what comes of it.

    Of every other one the bus must stand and the unit must not be reset in all its captures (`test_plans.watch`).
    """

    disturbs_bus: bool


class Procedure(Protocol):
    """How one characteristic is stimulated and how its captures become measurements."""

    name: str
    title: str

    @property
    def conditions(self) -> tuple[str, ...]:
        """The keys of a step's conditions that it reads; a plan that gives another one is refused."""
        ...

    def functions(self, setup: Setup) -> tuple[str, ...]:
        """Return the functions of the unit that it touches."""
        ...

    def needs(self, setup: Setup) -> Needs:
        """Return what it needs of the bench; pure."""
        ...

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Drive the rig; everything `evaluate` needs stays behind in captures."""
        ...

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Turn captures into results; pure, and the same again for an old record.

        Every result it can give is given even when a capture is missing or spoilt: then with a doubt.
        """
        ...

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:
        """Take what is still missing (repeats, isolation of a suspect); say whether anything was taken."""
        ...
