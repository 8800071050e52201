"""Serves a simulated bench on links of this machine in wall time, for programs that know instruments by address only.

Everything listens on loopback. The unit is plugged in and out by lines typed here, as a person would do it at the
bench; whoever stops the program takes the bench away.
"""

import asyncio
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass

from bench.assembly import DIP_SOURCE_SERIAL, load_ratings, simulated_supply
from bench.errors import UsageError
from bench.served_sheet import Addresses, served_sheet
from bench.sheets.bench_sheet import BenchSheet
from instruments.served.byte_link import ByteSocket, ByteTerminal
from instruments.served.can_text import CanText
from instruments.served.hislip import HislipServer
from instruments.served.scpi_socket import ScpiSocket
from instruments.served.world import World
from instruments.simulated.daq_device import SimulatedDaq
from instruments.simulated.load_face import load_instrument
from instruments.simulated.parameters import BenchParameters, TwinParameters
from instruments.simulated.plant import Plant
from instruments.simulated.scpi_instrument import ScpiInstrument
from instruments.simulated.text_port import SimulatedTextPort

CAN_INTERFACE = "slcan"
MOST_PACE = 100.0  # beyond, no machine keeps up
HELP = "Type plug, unplug, state or quit."


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """Which of two links instruments are served on."""

    hislip: bool = False  # SCPI over HiSLIP; else on a socket
    terminal: bool = False  # the DAQ on a pseudo-terminal; else on a socket


class ServedBench:
    """A plant with its instruments listening; made and closed inside one event loop."""

    def __init__(
        self, sheet: BenchSheet, *, bench: BenchParameters, twin: TwinParameters, seed: int, pace: float, links: Links
    ) -> None:
        self.plant = Plant(bench, twin, seed)
        self.world = World(self.plant, pace=pace)
        self._sheet = sheet
        self._links = links
        self._bench = bench
        self._seed = seed
        self._open = ExitStack()

    async def start(self) -> Addresses:
        """Have everything listen; return where."""
        sheet, plant = self._sheet, self.plant
        dip_source = electronic_load = ""
        supply = await self._scpi(simulated_supply(plant.supply, sheet.supply))
        if sheet.dip_source is not None and plant.dip_source is not None:
            dip_source = await self._scpi(simulated_supply(plant.dip_source, sheet.dip_source, DIP_SOURCE_SERIAL))
        if sheet.electronic_load is not None and plant.load is not None:
            electronic_load = await self._scpi(load_instrument(plant.load, load_ratings(sheet.electronic_load)))
        device = SimulatedDaq(plant=plant, parameters=self._bench.daq, seed=self._seed)
        return Addresses(
            supply=supply,
            dip_source=dip_source,
            electronic_load=electronic_load,
            daq=await self._daq(device),
            bus_interface=CAN_INTERFACE if sheet.bus is not None else "",
            bus_channel=self._terminal(CanText(plant)) if sheet.bus is not None else "",
            text_line=await self._socket(SimulatedTextPort(plant)) if sheet.text_line is not None else "",
        )

    def close(self) -> None:
        """Listen no longer."""
        self._open.close()

    async def _scpi(self, device: ScpiInstrument) -> str:
        server = (HislipServer if self._links.hislip else ScpiSocket)(device, self.world)
        await server.start()
        self._open.callback(server.close)
        return server.resource

    async def _daq(self, device: SimulatedDaq) -> str:
        return self._terminal(device) if self._links.terminal else await self._socket(device)

    def _terminal(self, device: SimulatedDaq | CanText) -> str:
        terminal = ByteTerminal(device, self.world)
        terminal.start()
        self._open.callback(terminal.close)
        return terminal.url

    async def _socket(self, device: SimulatedDaq | SimulatedTextPort) -> str:
        server = ByteSocket(device, self.world)
        await server.start()
        self._open.callback(server.close)
        return server.url


async def serve(
    served: ServedBench, sheet_text: str, *, put: Callable[[str], None], say: Callable[[str], None]
) -> None:
    """Serve until told to stop: print the sheet that reaches the bench, then do what is typed.

    Args:
        served: not yet started.
        sheet_text: of the simulated bench.
        put: takes the sheet.
        say: takes what is for a person.
    """
    addresses = await served.start()
    try:
        put(served_sheet(sheet_text, addresses))
        say(f"listening on loopback only. {HELP}")
        keeping_up = asyncio.create_task(_keep_up(served.world))
        try:
            while (line := await asyncio.to_thread(sys.stdin.readline)) and (word := line.strip()) != "quit":
                if word:
                    say(_do(served, word))
            if not line:  # nobody types: serve until a signal comes
                await keeping_up
        finally:
            keeping_up.cancel()
    finally:
        served.close()


async def _keep_up(world: World) -> None:
    while True:
        await world.tick()


def _do(served: ServedBench, word: str) -> str:
    """Do what a line asks for at the bench."""
    plant = served.plant
    served.world.catch_up()
    if word == "plug":
        plant.plug_unit()
    elif word == "unplug":
        plant.unplug_unit()
    elif word != "state":
        return f"{word!r} is nothing that can be done here. {HELP}"
    behind = f", {served.world.behind_s:.2f} s behind its pace" if served.world.behind_s else ""
    unit = "plugged in" if plant.plugged else "unplugged"
    outputs, contactor = "on" if plant.output_on else "off", "closed" if plant.contactor_closed else "open"
    return f"unit {unit}, {plant.unit_voltage_v():.2f} V at its pins, outputs {outputs}, contactor {contactor}{behind}"


def check_links(links: Links, pace: float, sheet: BenchSheet) -> None:
    """Refuse what this system can't serve.

    Raises:
        UsageError: all that is wrong with it.
    """
    wrong = []
    if not 0.0 < pace <= MOST_PACE:
        wrong.append(f"--pace {pace:g}: give a number above 0, {MOST_PACE:g} at most.")
    if links.terminal and not ByteTerminal.possible:
        wrong.append("--terminal: this system has no pseudo-terminals; leave it out, and the DAQ is on a socket.")
    if sheet.bus is not None and not ByteTerminal.possible:
        wrong.append(f"bench {sheet.name}: its avionics bus is served on a pseudo-terminal, and this system has none.")
    if wrong:
        raise UsageError("\n".join(wrong))
