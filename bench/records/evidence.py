"""What `evaluate` is given: the captures of one procedure, and what earlier procedures measured."""

from collections.abc import Iterable, Mapping, Sequence

from analysis.capture import Capture
from analysis.measurement import Measurement
from bench.records.record import StoredResult
from test_plans.procedure import MissingCaptureError
from test_plans.proved_pins import Proof, proofs


class RecordEvidence:
    """Satisfies `test_plans.procedure.Evidence`.

    Args:
        procedure: whose captures these are.
        captures: captures of any procedures, in the order taken; of one name, the last attempt counts. A collection
            that may grow: it is gone through again for what is not there yet, so that a follow-up sees what it took.
        results: results of the run so far; those of other procedures are `earlier`, the last one of an id counts.
        attempt: where given, captures of this attempt alone, and its own procedure's earlier attempts are `earlier`.
    """

    def __init__(
        self,
        procedure: str,
        captures: Iterable[Capture],
        results: Iterable[StoredResult],
        *,
        attempt: int | None = None,
    ) -> None:
        self._procedure = procedure
        self._taken = captures
        self._attempt = attempt
        self._captures: dict[str, Capture] = {}
        self._look()
        self._earlier: dict[str, Measurement] = {}
        self._held: dict[str, Proof] = {}
        for stored in results:
            if stored.procedure != procedure:
                for pin, proof in proofs(stored.procedure, [stored.result]):
                    self._held.setdefault(pin, proof)
            elif attempt is None or stored.attempt >= attempt:
                continue
            if isinstance(stored.result, Measurement):
                self._earlier[stored.result.id] = stored.result

    def has(self, name: str) -> bool:
        """Say whether the capture is there."""
        if name not in self._captures:
            self._look()
        return name in self._captures

    def capture(self, name: str) -> Capture:
        """Return one capture.

        Raises:
            MissingCaptureError: it was not taken, or nothing of it is readable.
        """
        if not self.has(name):
            there = ", ".join(self._captures) or "none"
            raise MissingCaptureError(f"{self._procedure}: capture {name} is not there; there are: {there}")
        return self._captures[name]

    def names(self) -> Sequence[str]:
        """Return the names of all captures, in the order taken."""
        self._look()
        return tuple(self._captures)

    def earlier(self, measurement_id: str) -> Measurement | None:
        """Return a measurement of another procedure of this run, or None."""
        return self._earlier.get(measurement_id)

    def held_pins(self) -> Mapping[str, Proof]:
        """Return the pins that earlier procedures of this run proved to be held by the unit, and by what first."""
        return self._held

    def _look(self) -> None:
        self._captures = {
            capture.name: capture
            for capture in self._taken
            if capture.procedure == self._procedure and self._attempt in {None, capture.attempt}
        }
