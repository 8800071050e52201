"""Who answers prompts. On a simulated bench the operator does in the plant what the prompt asks."""

from collections.abc import Mapping
from typing import Protocol

from test_plans.rig import PromptAction


class Operator(Protocol):
    """A person at the bench, or the simulated one."""

    def ask(self, action: PromptAction, text: str) -> str:
        """Have one action done and return the answer."""
        ...

    def look(self, question: str, shown: Mapping[str, str]) -> frozenset[str] | None:
        """Return which of these lamps are lit (name -> which lamp it is); None where they can't say."""
        ...


class Connector(Protocol):
    """What the simulated operator can lay hands and eyes on."""

    def panel_shows(self, discrete: str) -> bool:
        """Say whether the unit's lamp of a discrete is lit."""
        ...

    def plug_unit(self) -> None:
        """Mate the unit's connectors."""
        ...

    def unplug_unit(self) -> None:
        """Take the unit's connectors off."""
        ...


class SimulatedOperator:
    """Does at once, in the plant, what a prompt asks."""

    def __init__(self, connector: Connector) -> None:
        self._connector = connector

    def ask(self, action: PromptAction, text: str) -> str:  # noqa: ARG002  (a person reads the text)
        """Do it and say so."""
        match action:
            case PromptAction.PLUG_UNIT:
                self._connector.plug_unit()
                return "plugged (simulated)"
            case PromptAction.UNPLUG_UNIT:
                self._connector.unplug_unit()
                return "unplugged (simulated)"
            case PromptAction.CONFIRM:
                return "confirmed (simulated)"
            case PromptAction.LOOK:
                raise ValueError("what a person sees is asked by look(), which says of which lamps")

    def look(self, question: str, shown: Mapping[str, str]) -> frozenset[str] | None:  # noqa: ARG002
        """Return the lamps that are lit in the plant."""
        return frozenset(name for name in shown if self._connector.panel_shows(name))
