"""Opens a bench: the plant with its simulated instruments in front, and the real drivers on them.

The drivers, resource names and serial URLs are those of a bench of metal; only what answers is simulated.
"""

import logging
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

import pyvisa

from bench.operator import Operator, SimulatedOperator
from bench.sheets.bench_sheet import BenchSheet, ElectronicLoadSheet, SupplySheet
from instruments.avionics_bus import open_avionics_bus
from instruments.capabilities import AvionicsBus, Identity, TextOutput
from instruments.clock import Clock
from instruments.daq import DaqRatings, SerialDaq, open_daq
from instruments.electronic_load import LoadRatings, ScpiElectronicLoad, open_electronic_load
from instruments.errors import InstrumentError
from instruments.simulated.can_link import serve_bus
from instruments.simulated.clock import SimulatedClock
from instruments.simulated.daq_device import SimulatedDaq
from instruments.simulated.load_face import load_instrument
from instruments.simulated.parameters import BenchParameters, TwinParameters
from instruments.simulated.plant import Plant
from instruments.simulated.port import SupplyPort
from instruments.simulated.scpi_instrument import ScpiInstrument
from instruments.simulated.serial_link import serve_serial
from instruments.simulated.supply_face import SERIAL, supply_instrument
from instruments.simulated.text_port import SimulatedTextPort
from instruments.simulated.visa_library import simulated_resource_manager
from instruments.supply import ScpiSupply, SupplyRatings, open_supply
from instruments.text_output import open_text_output

DIP_SOURCE_SERIAL = "SIM-DIP-SOURCE"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenBench:
    """Open drivers of one bench, who answers prompts, and what the bench wants to know before each procedure."""

    supply: ScpiSupply
    load: ScpiElectronicLoad | None  # None: the bench has no electronic load
    dip_source: ScpiSupply | None
    daq: SerialDaq
    bus: AvionicsBus | None
    text_line: TextOutput | None
    clock: Clock
    operator: Operator
    before_procedure: Callable[[str, int], None]
    identities: dict[str, Identity]
    plant: Plant


@contextmanager
def open_simulated_bench(
    sheet: BenchSheet, *, bench: BenchParameters, twin: TwinParameters, seed: int, text_bit_rate: int = 0
) -> Iterator[OpenBench]:
    """Build the plant, serve the simulated instruments under the sheet's addresses, and open the drivers.

    `text_bit_rate` is that of a model that takes text; without one no text line is opened.

    Raises:
        InstrumentError: a simulated instrument doesn't answer as its driver expects.
    """
    plant = Plant(bench, twin, seed)
    clock = SimulatedClock(plant)
    device = SimulatedDaq(plant=plant, parameters=bench.daq, seed=seed)
    name = sheet.daq.url.partition("://")[2]
    with ExitStack() as stack:
        stack.enter_context(serve_serial(name, device=device, clock=clock))
        devices = {sheet.supply.resource: simulated_supply(plant.supply, sheet.supply)}
        if sheet.dip_source is not None and plant.dip_source is not None:
            devices[sheet.dip_source.resource] = simulated_supply(plant.dip_source, sheet.dip_source, DIP_SOURCE_SERIAL)
        if sheet.electronic_load is not None and plant.load is not None:
            devices[sheet.electronic_load.resource] = load_instrument(plant.load, load_ratings(sheet.electronic_load))
        manager = simulated_resource_manager(devices, clock)
        stack.callback(manager.close)
        supply = _open_supply(sheet.supply, "supply", manager, clock)
        stack.callback(_close, supply.close)
        load = _opened_load(sheet, manager, clock)
        if load is not None:
            stack.callback(_close, load.close)
        dip_source = None
        if sheet.dip_source is not None:
            dip_source = _open_supply(sheet.dip_source, "dip source", manager, clock)
            stack.callback(_close, dip_source.close)
        daq = open_daq(
            sheet.daq.url, clock=clock, ratings=daq_ratings(sheet), name="daq", time_out_s=sheet.daq.time_out_s
        )
        stack.callback(_close, daq.close)
        bus = None
        if sheet.bus is not None:
            stack.enter_context(serve_bus(sheet.bus.channel, plant=plant, clock=clock))
            bus = open_avionics_bus(
                sheet.bus.interface, sheet.bus.channel, bit_rate=sheet.bus.bit_rate, clock=clock, name="avionics bus"
            )
            stack.callback(_close, bus.close)
        text_line = None
        if sheet.text_line is not None and text_bit_rate:
            port = SimulatedTextPort(plant)
            stack.enter_context(serve_serial(sheet.text_line.url.partition("://")[2], device=port, clock=clock))
            text_line = open_text_output(
                sheet.text_line.url, bit_rate=text_bit_rate, name="text line", time_out_s=sheet.text_line.time_out_s
            )
            stack.callback(_close, text_line.close)
        yield OpenBench(
            supply=supply,
            load=load,
            dip_source=dip_source,
            daq=daq,
            bus=bus,
            text_line=text_line,
            clock=clock,
            operator=SimulatedOperator(plant),
            before_procedure=device.set_noise_key,
            identities={
                "supply": supply.identify(),
                **({"electronic load": load.identify()} if load is not None else {}),
                **({"dip source": dip_source.identify()} if dip_source is not None else {}),
                "daq": daq.identify(),
            },
            plant=plant,
        )


def _opened_load(
    sheet: BenchSheet, manager: pyvisa.ResourceManager, clock: SimulatedClock
) -> ScpiElectronicLoad | None:
    """Open the electronic load's driver; None where the sheet has no load."""
    load = sheet.electronic_load
    if load is None:
        return None
    return open_electronic_load(
        load.resource,
        resource_manager=manager,
        clock=clock,
        ratings=load_ratings(load),
        name="electronic load",
        time_out_s=load.time_out_s,
    )


def load_ratings(load: ElectronicLoadSheet) -> LoadRatings:
    """Return what the electronic load's driver may ask of it, and in which words."""
    return LoadRatings(
        max_current_a=load.max_current_a,
        max_power_w=load.max_power_w,
        least_resistance_ohm=load.least_resistance_ohm,
        most_resistance_ohm=load.most_resistance_ohm,
        mode_header=load.mode_header,
        input_header=load.input_header,
        protection_bit=load.protection_bit,
        reverse_bit=load.reverse_bit,
    )


def simulated_supply(port: SupplyPort, sheet: SupplySheet, serial: str = SERIAL) -> ScpiInstrument:
    """Return the supply of the plant as its driver meets it, rated as the sheet says."""
    return supply_instrument(
        port,
        serial=serial,
        max_voltage_v=sheet.max_voltage_v,
        max_current_a=sheet.max_current_a,
        limiting_bit=sheet.limiting_bit,
        overvoltage_bit=sheet.overvoltage_bit,
        list_points=sheet.list_points,
        shortest_dwell_s=sheet.shortest_dwell_s,
        sequence_bit=sheet.sequence_bit,
    )


def _open_supply(sheet: SupplySheet, name: str, manager: pyvisa.ResourceManager, clock: Clock) -> ScpiSupply:
    ratings = SupplyRatings(
        max_voltage_v=sheet.max_voltage_v,
        max_current_a=sheet.max_current_a,
        limiting_bit=sheet.limiting_bit,
        overvoltage_bit=sheet.overvoltage_bit,
        list_points=sheet.list_points,
        shortest_dwell_s=sheet.shortest_dwell_s,
        sequence_bit=sheet.sequence_bit,
    )
    return open_supply(
        sheet.resource,
        resource_manager=manager,
        clock=clock,
        ratings=ratings,
        name=name,
        time_out_s=sheet.time_out_s,
    )


def _close(close: Callable[[], None]) -> None:
    """Close a driver; what it can't reach any more the run has already said, for making safe comes before."""
    try:
        close()
    except InstrumentError as error:
        _log.warning("closing: %s", error)


def daq_ratings(sheet: BenchSheet) -> DaqRatings:
    """Return what the DAQ driver may ask of the device."""
    return DaqRatings(
        ranges_v=sheet.daq.ranges_v,
        n_inputs=sheet.daq.n_inputs,
        n_outputs=sheet.daq.n_outputs,
        n_digital_inputs=sheet.daq.n_digital_inputs,
        n_digital_outputs=sheet.daq.n_digital_outputs,
        output_max_v=sheet.daq.output_max_v,
        max_rate_hz=sheet.daq.max_rate_hz,
        max_total_rate_hz=sheet.daq.max_total_rate_hz,
    )
