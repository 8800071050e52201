"""What is known of a run besides its results: who, what, on which bench, under which sheets, and how it ended."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from analysis.verdict import Cause, Verdict
from bench.records.json_values import number_from_json, number_to_json


class RunStatus(StrEnum):
    """How a run came to its end."""

    COMPLETE = "complete"
    STOPPED = "stopped"
    CRASHED = "crashed"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCopy:
    """A sheet as it was used, so that old limits are kept: role (`unit`, `aircraft`, `bench`, `plan`), file, text.

    `digest` is the SHA-256 of the file's bytes, which are the text in UTF-8.
    """

    role: str
    file: str
    digest: str
    text: str

    def intact(self) -> bool:
        """Say whether the text is the one the digest was made of."""
        return hashlib.sha256(self.text.encode()).hexdigest() == self.digest


def copy_sheet(role: str, file: str, content: bytes) -> SheetCopy:
    """Return the copy of a sheet file's bytes.

    Raises:
        UnicodeDecodeError: the bytes are not UTF-8, which no sheet that was read can be.
    """
    return SheetCopy(role=role, file=file, digest=hashlib.sha256(content).hexdigest(), text=content.decode())


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """Everything that is settled before the run begins; free text goes through `clean_text` first."""

    software_version: str
    serial: str
    model: str
    aircraft: str
    plan: str
    bench: str
    simulated: bool
    seed: int | None = None  # simulated benches only
    defects: tuple[str, ...] = ()  # as asked for, `id` or `id:severity`
    only: tuple[str, ...] = ()  # what the run was narrowed to
    operator: str = ""
    work_order: str = ""
    squawk: str = ""
    remark: str = ""
    sheets: tuple[SheetCopy, ...] = ()
    parent: str = ""  # id of the record whose captures were judged again

    def sheet(self, role: str) -> SheetCopy:
        """Return the sheet of one role.

        Raises:
            KeyError: the run had none.
        """
        for sheet in self.sheets:
            if sheet.role == role:
                return sheet
        raise KeyError(f"the record has no {role} sheet")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOutcome:
    """How the run ended and what it says; `verdict` is the bare word."""

    status: RunStatus
    verdict: Verdict
    cause: Cause | None
    partial: bool
    not_tested: tuple[str, ...]  # functions of the unit sheet that nothing touched
    bench_time_s: float
    wall_time_s: float
    peak_memory_mb: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentFacts:
    """One instrument as it answered, and its calibration."""

    role: str  # `supply`, `daq`, `bus`
    address: str
    maker: str
    model: str
    serial: str
    firmware: str
    calibration: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PromptAnswer:
    """A prompt, and what was answered."""

    bench_time_s: float
    action: str
    text: str
    answer: str


def facts_to_json(facts: RunFacts) -> dict[str, Any]:
    """Return the facts for a file."""
    return {
        "software_version": facts.software_version,
        "serial": facts.serial,
        "model": facts.model,
        "aircraft": facts.aircraft,
        "plan": facts.plan,
        "bench": facts.bench,
        "simulated": facts.simulated,
        "seed": facts.seed,
        "defects": list(facts.defects),
        "only": list(facts.only),
        "operator": facts.operator,
        "work_order": facts.work_order,
        "squawk": facts.squawk,
        "remark": facts.remark,
        "sheets": [
            {"role": sheet.role, "file": sheet.file, "digest": sheet.digest, "text": sheet.text}
            for sheet in facts.sheets
        ],
        "parent": facts.parent,
    }


def facts_from_json(document: Mapping[str, Any]) -> RunFacts:
    """Return the facts that `facts_to_json` wrote."""
    return RunFacts(
        software_version=document["software_version"],
        serial=document["serial"],
        model=document["model"],
        aircraft=document["aircraft"],
        plan=document["plan"],
        bench=document["bench"],
        simulated=document["simulated"],
        seed=document["seed"],
        defects=tuple(document["defects"]),
        only=tuple(document["only"]),
        operator=document["operator"],
        work_order=document["work_order"],
        squawk=document["squawk"],
        remark=document["remark"],
        sheets=tuple(
            SheetCopy(role=sheet["role"], file=sheet["file"], digest=sheet["digest"], text=sheet["text"])
            for sheet in document["sheets"]
        ),
        parent=document["parent"],
    )


def outcome_to_json(outcome: RunOutcome) -> dict[str, Any]:
    """Return the outcome for a file."""
    return {
        "status": outcome.status.value,
        "verdict": outcome.verdict.value,
        "cause": outcome.cause.value if outcome.cause is not None else None,
        "partial": outcome.partial,
        "not_tested": list(outcome.not_tested),
        "bench_time_s": number_to_json(outcome.bench_time_s),
        "wall_time_s": number_to_json(outcome.wall_time_s),
        "peak_memory_mb": number_to_json(outcome.peak_memory_mb),
    }


def outcome_from_json(document: Mapping[str, Any]) -> RunOutcome:
    """Return the outcome that `outcome_to_json` wrote."""
    return RunOutcome(
        status=RunStatus(document["status"]),
        verdict=Verdict(document["verdict"]),
        cause=Cause(document["cause"]) if document["cause"] is not None else None,
        partial=document["partial"],
        not_tested=tuple(document["not_tested"]),
        bench_time_s=number_from_json(document["bench_time_s"]),
        wall_time_s=number_from_json(document["wall_time_s"]),
        peak_memory_mb=number_from_json(document["peak_memory_mb"]),
    )


def instrument_to_json(instrument: InstrumentFacts) -> dict[str, Any]:
    """Return an instrument's facts for a file."""
    return {
        "role": instrument.role,
        "address": instrument.address,
        "maker": instrument.maker,
        "model": instrument.model,
        "serial": instrument.serial,
        "firmware": instrument.firmware,
        "calibration": instrument.calibration,
    }


def instrument_from_json(document: Mapping[str, Any]) -> InstrumentFacts:
    """Return the facts that `instrument_to_json` wrote."""
    return InstrumentFacts(
        role=document["role"],
        address=document["address"],
        maker=document["maker"],
        model=document["model"],
        serial=document["serial"],
        firmware=document["firmware"],
        calibration=document["calibration"],
    )


def prompt_to_json(prompt: PromptAnswer) -> dict[str, Any]:
    """Return a prompt with its answer for a file."""
    return {
        "bench_time_s": number_to_json(prompt.bench_time_s),
        "action": prompt.action,
        "text": prompt.text,
        "answer": prompt.answer,
    }


def prompt_from_json(document: Mapping[str, Any]) -> PromptAnswer:
    """Return the prompt that `prompt_to_json` wrote."""
    return PromptAnswer(
        bench_time_s=number_from_json(document["bench_time_s"]),
        action=document["action"],
        text=document["text"],
        answer=document["answer"],
    )
