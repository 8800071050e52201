"""Who answers prompts. On a simulated bench the operator does in the plant what the prompt asks."""

from typing import Protocol

from test_plans.rig import PromptAction


class Operator(Protocol):
    """A person at the bench, or the simulated one."""

    def ask(self, action: PromptAction, text: str) -> str:
        """Have one action done and return the answer."""
        ...


class Connector(Protocol):
    """What the simulated operator can lay hands on."""

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
