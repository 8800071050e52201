"""The person at the bench: what was asked and answered stands in the journal, and beside the running capture."""

from collections.abc import Callable, Mapping

from bench.feed import Log
from bench.operator import Operator
from bench.sampling import Recorder
from test_plans.rig import NOT_SURE, PromptAction

ANSWER_S = 1.0  # of an answer's instant: a person's


class People:
    """Asks the operator, and keeps what was said."""

    def __init__(self, *, operator: Operator, recorder: Recorder, say: Callable[[str], None], log: Log) -> None:
        self._operator = operator
        self._recorder = recorder
        self._say = say
        self._log = log

    def ask(self, action: PromptAction, text: str) -> str:
        """Prompt a person; recorded with the answer."""
        self._recorder.prompt(action.value, text)
        answer = self._operator.ask(action, text)
        self._keep(action, text, answer, {})
        return answer

    def look(self, question: str, shown: Mapping[str, str]) -> frozenset[str] | None:
        """Ask a person which lamps are lit, by name; None where the person can't say."""
        text = f"{question} ({', '.join(shown.values())})"
        self._recorder.prompt(PromptAction.LOOK.value, text)
        lit = self._operator.look(question, shown)
        names = NOT_SURE if lit is None else ",".join(name for name in shown if name in lit)
        seen = ", ".join(shown[name] for name in shown if name in lit) or "none" if lit is not None else NOT_SURE
        self._keep(PromptAction.LOOK, text, seen, {"asked": ",".join(shown), "lit": names})
        return lit

    def _keep(self, action: PromptAction, text: str, answer: str, more: Mapping[str, str]) -> None:
        self._recorder.answer(action.value, text, answer)
        self._say(f"{text} -- {answer}")
        self._log("answer", ANSWER_S, {"prompt": text, "answer": answer, **more})
