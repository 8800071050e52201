"""Takes a run's steps one after the other and always leaves the bench safe.

The runner knows gates, attempts and ways to end; it judges nothing itself and knows no instrument.
One `finally` makes safe, whatever ended the run.
"""

import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from analysis.finding import Finding
from analysis.measurement import Result
from analysis.repetition import TryOutcome
from analysis.verdict import Cause, Verdict
from bench.errors import AbortError, BenchError, UnsafeError
from bench.interrupts import Interrupts
from bench.judging import JudgedStep, failed_units, judge_step, left_out, trouble_finding
from bench.loops import Loop, Try
from bench.plan_check import lasts_s
from bench.progress import Progress
from bench.rig import BenchRig
from bench.steps import PlannedStep
from instruments.errors import InstrumentError
from test_plans.procedure import Evidence
from test_plans.untouched import alongside

MAX_FOLLOW_UPS = 3
NOT_SAFE_ID = "run.safe"
ATTEMPT = 1  # a run takes each procedure once; a second attempt is another run of the same serial
AGAIN = 2  # except what proves the bench, once more where the unit failed, and what the plan has taken over and over


class RunLog(Protocol):
    """Where the runner leaves what happened, as it happens."""

    def procedure_started(self, name: str, attempt: int, bench_time_s: float) -> None:
        """Note the beginning of a procedure."""
        ...

    def results(self, procedure: str, attempt: int, results: Sequence[Result], *, passing: bool = False) -> None:
        """Keep what a procedure measured; of a `passing` try of a loop only until the next one."""
        ...

    def tried(self, procedure: str, attempt: int, outcome: str, shown: Sequence[str]) -> None:
        """Note what a try of a loop came to."""
        ...

    def drop_captures(self, procedure: str, attempt: int) -> None:
        """Let the captures of a try of a loop go."""
        ...

    def loop_ended(self, procedure: str, words: str, *, early: bool, spoilt: bool) -> None:
        """Note why a loop ended."""
        ...

    def keep(self, findings: Sequence[Finding]) -> None:
        """Keep findings."""
        ...

    def procedure_ended(self, name: str, attempt: int, bench_time_s: float) -> None:
        """Note the end of a procedure."""
        ...

    def stopped(self, reason: str, details: str, bench_time_s: float, suspect: str = "") -> None:
        """Note why the run ends early, and the signal that can't be trusted any more."""
        ...

    def evidence(self, procedure: str, attempt: int = ATTEMPT) -> Evidence:
        """Return the captures of an attempt at a procedure so far, and all earlier measurements."""
        ...


@dataclass(slots=True, kw_only=True)
class RunResult:
    """What a run came to: every finding in order, why it stopped ("" when it did not), and what is unknown.

    `suspect` is a signal that turned out not to be trusted: what rests on it is spoilt, early findings too.
    """

    findings: list[Finding] = field(default_factory=list)
    stopped: str = ""
    suspect: str = ""
    unsafe: tuple[str, ...] = ()
    bench_time_s: float = 0.0
    completed: set[str] = field(default_factory=set)


class Runner:
    """One run."""

    def __init__(
        self,
        *,
        rig: BenchRig,
        steps: Sequence[PlannedStep],
        log: RunLog,
        progress: Progress,
        before_procedure: Callable[[str, int], None],
        interrupts: Interrupts,
    ) -> None:
        self._rig = rig
        self._steps = steps
        self._log = log
        self._progress = progress
        self._before_procedure = before_procedure
        self._interrupts = interrupts
        self._result = RunResult()

    def run(self) -> RunResult:
        """Take every step; return what came of it. The bench is safe afterwards, or what is unknown is named."""
        try:
            for index, step in enumerate(self._steps):
                self._heed_interrupts()
                self._take_or_leave(step, self._steps[index:])
            self._prove_bench_again()
        finally:
            self._make_safe()
        self._result.bench_time_s = self._rig.now_s
        return self._result

    def _take_or_leave(self, step: PlannedStep, ahead: Sequence[PlannedStep]) -> None:
        if self._result.stopped:
            self._leave_out(step, f"the run ended early: {self._result.stopped}")
        elif step.obstacle:
            self._leave_out(step, step.obstacle, Cause.BENCH)
        elif blocked := self._blocked_by(step):
            self._leave_out(step, blocked)
        else:
            self._take(step, ahead)

    def _prove_bench_again(self) -> None:
        """Take the steps that look at the bench alone once more where the unit failed, before it is blamed.

        What was sound at the beginning may have failed since; `bench.judging.unproved` draws the conclusion.
        """
        if not failed_units(self._result.findings):
            return
        self._heed_interrupts()
        if self._result.stopped:
            return
        self._progress.say("the unit failed: the bench is proved once more before the unit is blamed")
        for step in self._steps:
            if step.proves_bench and not self._result.stopped:
                self._take(step, (step,), attempt=AGAIN)
                self._heed_interrupts()

    def _heed_interrupts(self) -> None:
        """Stop for a signal that came where nothing could be broken off: while a step was judged, say."""
        if self._interrupts.came:
            self._stop(self._interrupts.words, "")

    def _make_safe(self) -> None:
        try:
            self._rig.make_safe()
        except UnsafeError as error:
            self._result.unsafe = error.problems
            self._keep([_not_safe(error)])
            self._log.stopped("making safe failed in part", "; ".join(error.problems), self._rig.now_s)

    def _blocked_by(self, step: PlannedStep) -> str:
        planned = {other.name: other for other in self._steps}
        for gate in step.step.gated_by:
            if gate not in planned or not step.needs.waits_for(planned[gate].needs):
                continue
            if gate not in self._result.completed:
                return f"{gate} did not pass"
        return ""

    def _leave_out(self, step: PlannedStep, reason: str, cause: Cause | None = None) -> None:
        self._keep([left_out(step, reason, cause)])
        self._progress.end(step.name, f"not run: {reason}")

    def _take(self, step: PlannedStep, ahead: Sequence[PlannedStep], *, attempt: int = ATTEMPT) -> None:
        remaining_s = sum(lasts_s(other.step, other.needs) for other in ahead)
        self._progress.begin(step.step.stage, step.name, elapsed_s=self._rig.now_s, remaining_s=remaining_s)
        if step.step.repeat is not None:
            self._take_over_and_over(step)
            return
        judged = self._attempt(step, attempt)
        self._log.results(step.name, attempt, judged.results)
        self._keep(judged.findings)
        if judged.findings and all(finding.verdict is Verdict.PASS for finding in judged.findings):
            self._result.completed.add(step.name)
        self._log.procedure_ended(step.name, attempt, self._rig.now_s)
        self._progress.end(step.name, _outcome(judged.findings))

    def _take_over_and_over(self, step: PlannedStep) -> None:
        """Take a step until its loop is over; a try that is broken off ends the run and counts as none."""
        loop = Loop(step, began_s=self._rig.now_s)
        while not self._result.stopped and not loop.is_over(self._rig.now_s):
            attempt = loop.tries + 1
            judged = self._attempt(step, attempt)
            if self._result.stopped:
                self._log.results(step.name, attempt, judged.results)
                self._keep(judged.findings)
            else:
                self._settle(loop, loop.take(attempt, judged.findings, now_s=self._rig.now_s), judged)
            self._log.procedure_ended(step.name, attempt, self._rig.now_s)
            self._heed_interrupts()
        ended = loop.ended(self._rig.now_s, self._result.stopped)
        self._log.loop_ended(step.name, ended.words, early=ended.early, spoilt=ended.spoilt)
        found = loop.finding(ended)
        self._keep([found])
        if found.verdict is Verdict.PASS:
            self._result.completed.add(step.name)
        self._progress.end(step.name, f"{found.failures} of {found.trials} tries did not pass; {ended.words}")

    def _settle(self, loop: Loop, taken: Try, judged: JudgedStep) -> None:
        """Leave in the record what of a try is to stay."""
        name = loop.step.name
        self._log.results(name, taken.attempt, judged.results, passing=not taken.told)
        if taken.told:
            self._keep(judged.findings)
        self._log.tried(name, taken.attempt, taken.outcome.value, taken.shown)
        for attempt in taken.dropped:
            self._log.drop_captures(name, attempt)
        if taken.outcome is not TryOutcome.PASSED:
            self._progress.say(f"{name}, try {taken.attempt}: {taken.outcome.value}")

    def _attempt(self, step: PlannedStep, attempt: int) -> JudgedStep:
        """Drive a step and judge it."""
        self._log.procedure_started(step.name, attempt, self._rig.now_s)
        self._before_procedure(step.name, attempt)
        self._rig.begin_procedure(step.name, attempt, beside=alongside(step.procedure, step.setup))
        troubles = self._stimulate(step, attempt)
        judged = judge_step(step, self._log.evidence(step.name, attempt), attempt=attempt, troubles=troubles)
        if judged.fault:
            self._stop(judged.fault, judged.fault_details)
        return judged

    def _stimulate(self, step: PlannedStep, attempt: int) -> list[Finding]:
        """Drive the procedure and its follow-ups; what ends it early comes back as a finding and stops the run."""
        try:
            with self._interrupts.may_break():
                step.procedure.stimulate(self._rig, step.setup)
                for _ in range(MAX_FOLLOW_UPS):
                    if not step.procedure.follow_up(self._rig, step.setup, self._log.evidence(step.name, attempt)):
                        break
                self._rig.end_procedure()
        except KeyboardInterrupt:
            self._interrupts.note()
            return [self._ended_early(step, attempt, self._interrupts.words, Cause.UNDECIDED)]
        except AbortError as error:
            return [self._ended_early(step, attempt, str(error), error.cause, suspect=error.suspect)]
        except (InstrumentError, BenchError) as error:
            return [self._ended_early(step, attempt, str(error), Cause.BENCH)]
        except Exception as error:  # noqa: BLE001  (the boundary: a fault of ours must never read as the unit's)
            details = "".join(traceback.format_exception(error))
            reason = f"boxproof itself failed: {type(error).__name__}: {error}"
            return [self._ended_early(step, attempt, reason, Cause.BENCH, details=details)]
        return []

    def _ended_early(
        self,
        step: PlannedStep,
        attempt: int,
        reason: str,
        cause: Cause,
        *,
        details: str = "",
        suspect: str = "",
    ) -> Finding:
        self._stop(reason, details, suspect)
        return trouble_finding(step, reason, cause, attempt=attempt)

    def _stop(self, reason: str, details: str, suspect: str = "") -> None:
        if not self._result.stopped:
            self._result.stopped = reason
            self._result.suspect = suspect
            self._log.stopped(reason, details, self._rig.now_s, suspect)
            self._progress.say(f"ends here: {reason}")

    def _keep(self, findings: Sequence[Finding]) -> None:
        if findings:
            self._log.keep(findings)
        self._result.findings.extend(findings)


def _not_safe(error: UnsafeError) -> Finding:
    return Finding(
        id=NOT_SAFE_ID,
        procedure="run",
        function="",
        title="Bench: safe at the end of the run",
        verdict=Verdict.INCONCLUSIVE,
        cause=Cause.BENCH,
        reasons=error.problems,
        next_step="use the emergency stop, and look before you touch anything",
    )


def _outcome(findings: Sequence[Finding]) -> str:
    counts = {verdict: sum(finding.verdict is verdict for finding in findings) for verdict in Verdict}
    return ", ".join(f"{count} {verdict.value}" for verdict, count in counts.items() if count) or "nothing to judge"
