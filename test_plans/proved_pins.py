"""What a proved fault of a pin says of everything else on it. Pure.

A pin that does not go where it is driven leaves whatever is tested through it undecided, until isolation shows that the
unit holds it. From then on nothing about it is undecided: the result that proved it has no other explanation left, and
what a later procedure can't test on that pin it can't test because of that fault.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from analysis.measurement import Curve, Doubt, Result
from analysis.verdict import Cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """The result by which isolation proved that the unit holds a pin."""

    procedure: str
    result_id: str


def proofs(procedure: str, results: Iterable[Result]) -> Iterator[tuple[str, Proof]]:
    """Yield (pin, proof) of every pin that results of a procedure prove to be held by the unit."""
    for result in results:
        for pin in sorted(_proved(result)):
            yield pin, Proof(procedure=procedure, result_id=result.id)


def settled(results: Iterable[Result], proved: Mapping[str, Proof]) -> Iterator[Result]:
    """Yield results, what is undecided of a pin settled by what is proved of it: by themselves, or by `proved`."""
    for result in results:
        yield result if isinstance(result, Curve) else replace(result, doubts=_settled(result, proved))


def _settled(result: Result, proved: Mapping[str, Proof]) -> tuple[Doubt, ...]:
    if isinstance(result, Curve):
        return ()
    own = _proved(result)
    doubts: list[Doubt] = []
    for doubt in result.doubts:
        if doubt.cause is not Cause.UNDECIDED or doubt.pin not in {*own, *proved}:
            doubts.append(doubt)
        elif doubt.pin not in own:
            proof = proved[doubt.pin]
            doubts.append(
                Doubt(
                    reason=f"it can't be tested: the unit holds pin {doubt.pin}, which {proof.procedure} proved with "
                    f"it unplugged (finding {proof.result_id})",
                    cause=Cause.UNIT,
                    pin=doubt.pin,
                    proved_by=proof.result_id,
                )
            )
    return tuple(dict.fromkeys(doubts))


def _proved(result: Result) -> set[str]:
    """Return the pins that a result itself proves to be held by the unit."""
    doubts = () if isinstance(result, Curve) else result.doubts
    return {doubt.pin for doubt in doubts if doubt.pin and doubt.cause is Cause.UNIT and not doubt.proved_by}
