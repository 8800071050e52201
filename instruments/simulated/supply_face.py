"""The supply of the simulated bench as a SCPI instrument in front of the plant's output stage."""

from instruments.simulated.port import SupplyPort
from instruments.simulated.scpi_grammar import Number, Switch
from instruments.simulated.scpi_instrument import Command, ScpiInstrument
from instruments.simulated.scpi_status import ScpiError, Status
from instruments.simulated.supply_sequence import VOLTAGE_STEP_V, SupplySequence, rounded

SERIAL = "SIM-SUPPLY"
CURRENT_STEP_A = 0.001
OVERVOLTAGE_RANGE = 1.1  # protection can be set above the rated voltage, or it would trip at it


def supply_instrument(
    supply: SupplyPort,
    *,
    max_voltage_v: float,
    max_current_a: float,
    limiting_bit: int,
    overvoltage_bit: int,
    list_points: int = 0,
    shortest_dwell_s: float = 0.0,
    sequence_bit: int = 3,
    serial: str = SERIAL,
) -> ScpiInstrument:
    """Return the instrument in front of `supply`.

    Settings are rounded to whole millivolts and milliamperes. `*RST` gives output off, 0 V, the rated current
    and the highest overvoltage setting. Not modelled: programming delay of its own (the plant slews),
    overcurrent trip, tracking, stored settings, lists of current, repeated lists, triggers from outside.

    Args:
        supply: the output stage.
        max_voltage_v: rated, in volts; more is -222.
        max_current_a: rated, in amperes; more is -222.
        limiting_bit: of STATus:QUEStionable, set while it limits current.
        overvoltage_bit: same, set while overvoltage protection has tripped.
        list_points: most steps of a LIST; 0: it has none, and knows none of its commands.
        shortest_dwell_s: of a step; less is -222.
        sequence_bit: of STATus:OPERation, set while a LIST is being played.
        serial: number in its identity.
    """
    max_overvoltage_v = OVERVOLTAGE_RANGE * max_voltage_v

    def set_voltage(voltage_v: float) -> None:
        supply.set_voltage(rounded(voltage_v, VOLTAGE_STEP_V))

    def set_current(current_a: float) -> None:
        supply.set_current_limit(rounded(current_a, CURRENT_STEP_A))

    def set_overvoltage(voltage_v: float) -> None:
        supply.set_overvoltage(rounded(voltage_v, VOLTAGE_STEP_V))

    def set_output(on: bool) -> None:
        if on and supply.overvoltage_tripped:
            raise ScpiError(-221, "overvoltage protection has tripped")
        supply.set_output(on)

    voltage = Number(unit="V", low=0.0, high=max_voltage_v, default=0.0)
    sequence = SupplySequence(supply, voltage=voltage, most_steps=list_points, shortest_dwell_s=shortest_dwell_s)

    def reset() -> None:
        supply.set_output(False)
        sequence.clear()
        supply.clear_protection()
        supply.set_voltage(0.0)
        supply.set_current_limit(max_current_a)
        supply.set_overvoltage(max_overvoltage_v)

    def refresh(status: Status) -> None:
        limiting = 1 << limiting_bit
        seen = supply.limited_since_last_call()
        condition = int(supply.limiting()) << limiting_bit | int(supply.overvoltage_tripped) << overvoltage_bit
        if seen and not (status.questionable.condition | condition) & limiting:
            status.questionable.update(condition | limiting)  # it came and went between two messages
        status.questionable.update(condition)
        status.operation.update(int(supply.playing()) << sequence_bit)

    return ScpiInstrument(
        identity=f"boxproof,simulated supply,{serial},1.0",
        reset=reset,
        refresh=refresh,
        commands=[
            Command(
                pattern="OUTPut[:STATe]",
                parameters=(Switch(),),
                action=set_output,
                query=lambda: str(int(supply.output_on)),
            ),
            Command(pattern="OUTPut:PROTection:CLEar", action=supply.clear_protection),
            Command(pattern="OUTPut:PROTection:TRIPped", query=lambda: str(int(supply.overvoltage_tripped))),
            Command(
                pattern="[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                parameters=(voltage,),
                action=set_voltage,
                query=lambda: f"{supply.voltage_setting_v:.4f}",
            ),
            Command(
                pattern="[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
                parameters=(Number(unit="A", low=0.0, high=max_current_a, default=max_current_a),),
                action=set_current,
                query=lambda: f"{supply.current_setting_a:.4f}",
            ),
            Command(
                pattern="[SOURce]:VOLTage:PROTection[:LEVel]",
                parameters=(Number(unit="V", low=0.0, high=max_overvoltage_v, default=max_overvoltage_v),),
                action=set_overvoltage,
                query=lambda: f"{supply.overvoltage_setting_v:.4f}",
            ),
            Command(pattern="MEASure[:SCALar]:VOLTage[:DC]", query=lambda: f"{supply.read_voltage_v():.4f}"),
            Command(pattern="MEASure[:SCALar]:CURRent[:DC]", query=lambda: f"{supply.read_current_a():.4f}"),
            *(sequence.commands() if list_points else ()),
        ],
    )
