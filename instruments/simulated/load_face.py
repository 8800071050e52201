"""The electronic load of the simulated bench as a SCPI instrument in front of the plant's input stage."""

from collections.abc import Callable

from instruments.electronic_load import LoadRatings
from instruments.simulated.port import LoadMode, LoadPort
from instruments.simulated.scpi_grammar import Choice, Number, Switch
from instruments.simulated.scpi_instrument import Command, ScpiInstrument
from instruments.simulated.scpi_status import ScpiError, Status

IDENTITY = "boxproof,simulated electronic load,SIM-LOAD,1.0"
STEPS = {LoadMode.CURRENT: 0.001, LoadMode.POWER: 0.01, LoadMode.RESISTANCE: 0.001}


def load_instrument(load: LoadPort, ratings: LoadRatings) -> ScpiInstrument:
    """Return the instrument in front of `load`, rated and worded as `ratings` say.

    Settings are rounded to whole milliamperes, hundredths of a watt and milliohms; more than the ratings is -222.
    `*RST` gives input off, constant current, 0 A, 0 W and the most resistance. Not modelled: lists, transients, a
    short-circuit command (the least resistance serves), triggered measurement.
    """
    most_ohm = ratings.most_resistance_ohm
    modes = {mode.value: mode for mode in LoadMode}

    def set_input(on: bool) -> None:
        if on and load.protection_tripped:
            raise ScpiError(-221, "a protection has tripped")
        load.set_input(on)

    def reset() -> None:
        load.set_input(False)
        load.clear_protection()
        load.set_mode(LoadMode.CURRENT)
        for mode, level in ((LoadMode.CURRENT, 0.0), (LoadMode.POWER, 0.0), (LoadMode.RESISTANCE, most_ohm)):
            load.set_level(mode, level)

    def refresh(status: Status) -> None:
        reverse = 1 << ratings.reverse_bit
        seen = load.reversed_since_last_call()
        condition = int(load.reversed()) << ratings.reverse_bit | int(load.protection_tripped) << ratings.protection_bit
        if seen and not (status.questionable.condition | condition) & reverse:
            status.questionable.update(condition | reverse)  # it came and went between two messages
        status.questionable.update(condition)

    def level(pattern: str, mode: LoadMode, number: Number) -> Command:
        return Command(
            pattern=f"[SOURce]:{pattern}[:LEVel][:IMMediate][:AMPLitude]",
            parameters=(number,),
            action=_setter(load, mode),
            query=lambda: f"{min(load.levels[mode], number.high):.4f}",
        )

    return ScpiInstrument(
        identity=IDENTITY,
        reset=reset,
        refresh=refresh,
        commands=[
            Command(
                pattern=ratings.input_header,
                parameters=(Switch(),),
                action=set_input,
                query=lambda: str(int(load.input_on)),
            ),
            Command(pattern=f"{ratings.input_header}:PROTection:CLEar", action=load.clear_protection),
            Command(
                pattern=ratings.mode_header,
                parameters=(Choice(words=("CURRent", "POWer", "RESistance")),),
                action=lambda word: load.set_mode(modes[word]),
                query=lambda: load.mode.value,
            ),
            level("CURRent", LoadMode.CURRENT, Number(unit="A", low=0.0, high=ratings.max_current_a, default=0.0)),
            level("POWer", LoadMode.POWER, Number(unit="W", low=0.0, high=ratings.max_power_w, default=0.0)),
            level(
                "RESistance",
                LoadMode.RESISTANCE,
                Number(unit="OHM", low=ratings.least_resistance_ohm, high=most_ohm, default=most_ohm),
            ),
            Command(pattern="MEASure[:SCALar]:VOLTage[:DC]", query=lambda: f"{load.read_voltage_v():.4f}"),
            Command(pattern="MEASure[:SCALar]:CURRent[:DC]", query=lambda: f"{load.read_current_a():.4f}"),
            Command(
                pattern="MEASure[:SCALar]:POWer[:DC]",
                query=lambda: f"{load.read_voltage_v() * load.read_current_a():.4f}",
            ),
        ],
    )


def _setter(load: LoadPort, mode: LoadMode) -> Callable[[float], None]:
    step = STEPS[mode]
    return lambda value: load.set_level(mode, round(value / step) * step)
