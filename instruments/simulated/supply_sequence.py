"""The LIST commands of the simulated supply: what the host has loaded, and the playing of it by the output stage."""

from instruments.simulated.port import SupplyPort
from instruments.simulated.scpi_grammar import Choice, Number, Numbers
from instruments.simulated.scpi_instrument import Command
from instruments.simulated.scpi_status import ScpiError

VOLTAGE_STEP_V = 0.001
DWELL_STEP_S = 1e-4
LONGEST_DWELL_S = 3600.0


class SupplySequence:
    """Mode, voltages and dwells as the host left them; a list is played once, from INITiate on.

    Not modelled: lists of current, repeated lists, triggers from outside.
    """

    def __init__(self, supply: SupplyPort, *, voltage: Number, most_steps: int, shortest_dwell_s: float) -> None:
        self._supply = supply
        self._voltages = Numbers(each=voltage, most=most_steps)
        dwell = Number(unit="S", low=shortest_dwell_s, high=LONGEST_DWELL_S, default=shortest_dwell_s)
        self._dwells = Numbers(each=dwell, most=most_steps)
        self.clear()

    def clear(self) -> None:
        """Forget everything, as `*RST` does."""
        self._mode = "FIX"
        self._voltages_v: tuple[float, ...] = ()
        self._dwells_s: tuple[float, ...] = ()

    def commands(self) -> tuple[Command, ...]:
        """Return its part of the instrument's table."""
        return (
            Command(
                pattern="[SOURce]:VOLTage:MODE",
                parameters=(Choice(words=("FIXed", "LIST")),),
                action=self._set_mode,
                query=lambda: self._mode,
            ),
            Command(
                pattern="[SOURce]:LIST:VOLTage[:LEVel]",
                parameters=self._voltages,
                action=self._set_voltages,
                query=lambda: _listed(self._voltages_v),
            ),
            Command(
                pattern="[SOURce]:LIST:DWELl",
                parameters=self._dwells,
                action=self._set_dwells,
                query=lambda: _listed(self._dwells_s),
            ),
            Command(pattern="INITiate[:IMMediate]", action=self._initiate),
            Command(pattern="ABORt", action=self._supply.stop_playing),
        )

    def _set_mode(self, mode: str) -> None:
        if mode != "LIST":
            self._supply.stop_playing()
        self._mode = mode

    def _set_voltages(self, voltages_v: tuple[float, ...]) -> None:
        self._voltages_v = tuple(rounded(voltage_v, VOLTAGE_STEP_V) for voltage_v in voltages_v)

    def _set_dwells(self, dwells_s: tuple[float, ...]) -> None:
        self._dwells_s = tuple(rounded(dwell_s, DWELL_STEP_S) for dwell_s in dwells_s)

    def _initiate(self) -> None:
        if self._supply.playing():
            raise ScpiError(-213)
        if self._mode != "LIST" or not self._voltages_v or len(self._voltages_v) != len(self._dwells_s):
            raise ScpiError(-221, "no list to play, or not as many dwells as voltages")
        if not self._supply.output_on:
            raise ScpiError(-221, "the output is off")
        self._supply.play(tuple(zip(self._voltages_v, self._dwells_s, strict=True)))


def rounded(value: float, step: float) -> float:
    """Return the nearest multiple of a step."""
    return round(value / step) * step


def _listed(values: tuple[float, ...]) -> str:
    return ",".join(f"{value:.4f}" for value in values)
