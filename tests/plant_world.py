"""A complete bench with a Dotterel 6, made by hand: what plant tests (and others) run against.

Pins P1-1 power, P1-2 power ground, P1-3 signal ground. Analogue inputs, outputs and digital lines go by the
number tables below; errors are all zero, so that hand calculations hold to the last digit.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from instruments.simulated.parameters import (
    AirspeedInput,
    AnalogInputParameters,
    AnalogOutputParameters,
    BenchParameters,
    BridgeOutput,
    DaqParameters,
    DigitalInputParameters,
    DigitalOutputParameters,
    DimmerOutput,
    DiscreteInput,
    ElectronicLoadParameters,
    HoldUpOutput,
    MotorParameters,
    PathParameters,
    PlainOutput,
    Probe,
    RheostatInput,
    SupplyParameters,
    SwitchInput,
    TwinParameters,
)
from instruments.simulated.plant import Plant
from instruments.simulated.port import LoadMode

SECOND = 1_000_000_000
MILLISECOND = 1_000_000

POWER, POWER_GROUND, SIGNAL_GROUND = "P1-1", "P1-2", "P1-3"
DISCRETES = tuple(f"discrete-{number}" for number in range(1, 11))  # 1 to 6 active-low, 7 to 10 active-high
AXES = ("pitch", "roll", "yaw")
SWITCHES = (
    *(f"{axis}.{seat}.{way}" for axis in ("pitch", "roll") for seat in ("left", "right") for way in ("up", "down")),
    "yaw.left.up",
    "yaw.left.down",
)
DIMMERS = tuple(f"dimmer-{number}" for number in range(1, 7))  # 1 to 4 PWM, 5 and 6 DC
AIRSPEED_IDENTIFIER = 315
DISCRETE_IDENTIFIERS = {name: 1800 + index for index, name in enumerate(DISCRETES)}
RESET_COUNT_IDENTIFIER, CONFIGURATION_IDENTIFIER, FLAP_IDENTIFIER = 1820, 1821, 1822

# Analogue inputs
SUPPLY_VOLTAGE, UNIT_VOLTAGE, UNIT_CURRENT, RETURN_CURRENT, GROUND_VOLTAGE, REFERENCE = range(6)
DISCRETE_VOLTAGE = {name: 10 + index for index, name in enumerate(DISCRETES)}
AXIS_VOLTAGE = {name: 20 + index for index, name in enumerate(AXES)}
AXIS_CURRENT = {name: 23 + index for index, name in enumerate(AXES)}
DIMMER_VOLTAGE = {name: 30 + index for index, name in enumerate(DIMMERS)}
RHEOSTAT_VOLTAGE = {"rheostat-1": 36, "rheostat-2": 37}
HOLD_UP_VOLTAGE, HOLD_UP_CURRENT = 38, 39
# Analogue outputs
STIMULI = {name: index for index, name in enumerate((*DISCRETES, "rheostat-1", "rheostat-2"))}
# Digital outputs
PATH_RUN, PATH_20_OHM, ARM = 0, 1, 2
SWITCH_OUTPUT = {name: 10 + index for index, name in enumerate(SWITCHES)}
LOAD_9_OHM = {name: 30 + index for index, name in enumerate(AXES)}
LOAD_1_KOHM = {name: 33 + index for index, name in enumerate(AXES)}
LOAD_MOTOR = {name: 36 + index for index, name in enumerate(AXES)}
PLUG_LOAD = 40
FEED = 41  # of discrete 8 from the bus, 100 ohm
DRAW = {name: 42 + index for index, name in enumerate((*AXES, "plug"))} | {"hold-up": 52}
REVERSE = 46
HOLD_UP_LOAD, HOLD_UP_OVERLOAD = 50, 51
# Digital inputs
BUS_RECEIVE = 0
SWITCH_LINE = {name: 1 + index for index, name in enumerate(SWITCHES)}


TRIM_MOTOR = MotorParameters(
    resistance_ohm=4.0,
    inductance_h=2e-3,
    constant_v_s=0.02,
    inertia_kg_m2=2e-6,
    friction_n_m_s=1e-6,
    travel_rad=20_000.0,
)


def pin_of(name: str) -> str:
    """Return the pin of a discrete, switch, rheostat or dimmer."""
    names = (*DISCRETES, *SWITCHES, "rheostat-1", "rheostat-2", *DIMMERS, "hold-up", "flap-switch")
    return f"P2-{1 + names.index(name)}"


def dotterel_bench(**changes: Any) -> BenchParameters:
    """Return the bench; `changes` replace fields of its supply."""
    ground = SIGNAL_GROUND

    def voltage(plus: str, minus: str) -> AnalogInputParameters:
        return AnalogInputParameters(probe=Probe(kind="voltage", plus=plus, minus=minus))

    def current(place: str) -> AnalogInputParameters:
        return AnalogInputParameters(probe=Probe(kind="current", plus=place))

    inputs = {
        SUPPLY_VOLTAGE: voltage("supply+", "supply-"),
        UNIT_VOLTAGE: voltage(POWER, POWER_GROUND),
        UNIT_CURRENT: current("supply+"),
        RETURN_CURRENT: current("supply-"),
        GROUND_VOLTAGE: voltage(POWER_GROUND, ground),
        REFERENCE: voltage("reference", ""),
        HOLD_UP_VOLTAGE: voltage(pin_of("hold-up"), POWER_GROUND),
        HOLD_UP_CURRENT: current(pin_of("hold-up")),
    }
    inputs |= {channel: voltage(pin_of(name), ground) for name, channel in DISCRETE_VOLTAGE.items()}
    inputs |= {channel: voltage(pin_of(name), ground) for name, channel in DIMMER_VOLTAGE.items()}
    inputs |= {channel: voltage(pin_of(name), ground) for name, channel in RHEOSTAT_VOLTAGE.items()}
    inputs |= {channel: voltage(f"{name}+", f"{name}-") for name, channel in AXIS_VOLTAGE.items()}
    inputs |= {channel: current(f"{name}+") for name, channel in AXIS_CURRENT.items()}
    outputs = {
        channel: AnalogOutputParameters(pin=pin_of(name), series_ohm=1000.0) for name, channel in STIMULI.items()
    }
    digital = {
        PATH_RUN: DigitalOutputParameters(action="path", target="run"),
        PATH_20_OHM: DigitalOutputParameters(action="path", target="20 ohm"),
        ARM: DigitalOutputParameters(action="arm"),
        FEED: DigitalOutputParameters(action="feed", target=pin_of("discrete-8")),
        PLUG_LOAD: DigitalOutputParameters(action="load", target="plug", position="1.4 ohm"),
        HOLD_UP_LOAD: DigitalOutputParameters(action="load", target="hold-up", position="3.125 ohm"),
        HOLD_UP_OVERLOAD: DigitalOutputParameters(action="load", target="hold-up", position="2.0 ohm"),
    }
    digital |= {
        output: DigitalOutputParameters(action="press", target=pin_of(name)) for name, output in SWITCH_OUTPUT.items()
    }
    for loads, position in ((LOAD_9_OHM, "9.0 ohm"), (LOAD_1_KOHM, "1 kohm"), (LOAD_MOTOR, "motor")):
        digital |= {
            output: DigitalOutputParameters(action="load", target=name, position=position)
            for name, output in loads.items()
        }
    digital |= {output: DigitalOutputParameters(action="draw", target=name) for name, output in DRAW.items()}
    digital[REVERSE] = DigitalOutputParameters(action="reverse")
    lines = {BUS_RECEIVE: DigitalInputParameters(source="bus")}
    lines |= {line: DigitalInputParameters(source="pin", target=pin_of(name)) for name, line in SWITCH_LINE.items()}
    supply = SupplyParameters(
        max_voltage_v=36.0, max_current_a=60.0, sink_current_a=5.0, slew_up_v_per_s=200.0, slew_down_v_per_s=100.0
    )
    return BenchParameters(
        supply=replace(supply, **changes),
        path=PathParameters(
            positive_ohm=0.012, negative_ohm=0.006, series_ohm={"run": 0.0, "20 ohm": 20.0}, bleed_ohm=100.0
        ),
        daq=DaqParameters(
            inputs=inputs,
            outputs=outputs,
            digital_outputs=digital,
            digital_inputs=lines,
            noise_v={10.0: 0.0003, 40.0: 0.001},
            clock_error=0.0,
            watchdog_s=1.0,
            max_total_rate_hz=800e3,
            max_rate_hz=50e3,
            reference_v=5.0,
        ),
        loads_ohm={
            "plug": {"1.4 ohm": 1.4},
            "hold-up": {"3.125 ohm": 3.125, "2.0 ohm": 2.0},
            **{axis: {"9.0 ohm": 9.0, "1 kohm": 1000.0} for axis in AXES},
        },
        feeds_ohm={pin_of("discrete-8"): 100.0},
        motors={(axis, "motor"): TRIM_MOTOR for axis in AXES},
        electronic_load=ElectronicLoadParameters(
            max_current_a=30.0, max_power_w=150.0, least_ohm=0.05, slew_a_per_s=10e3
        ),
    )


def dotterel_twin(quantities: dict[str, float] | None = None) -> TwinParameters:
    """Return the unit; `quantities` by flat name take the place of their defaults."""
    return TwinParameters(
        nominal_voltage_v=13.8,
        power_pin=POWER,
        power_ground_pin=POWER_GROUND,
        signal_ground_pin=SIGNAL_GROUND,
        discretes=tuple(
            DiscreteInput(
                name=name, pin=pin_of(name), active_low=index < 6, report_identifier=DISCRETE_IDENTIFIERS[name]
            )
            for index, name in enumerate(DISCRETES)
        ),
        switches=tuple(_switch(name) for name in SWITCHES),
        bridges=tuple(BridgeOutput(name=axis, plus_pin=f"{axis}+", minus_pin=f"{axis}-") for axis in AXES),
        rheostats=tuple(
            RheostatInput(name=name, pin=pin_of(name), full_travel_v=5.0) for name in ("rheostat-1", "rheostat-2")
        ),
        dimmers=tuple(_dimmer(index, name) for index, name in enumerate(DIMMERS)),
        outputs=(PlainOutput(name="flap", plus_pin="flap+", minus_pin="flap-"),),
        hold_ups=(HoldUpOutput(name="hold-up", plus_pin=pin_of("hold-up")),),
        pulled_up_pins=(pin_of("flap-switch"),),
        node=6,
        reset_count_identifier=RESET_COUNT_IDENTIFIER,
        configuration_identifier=CONFIGURATION_IDENTIFIER,
        configuration=0x0601,
        level_identifiers=(FLAP_IDENTIFIER,),
        report_period_s=1.0,
        bit_rate=125_000,
        airspeed=AirspeedInput(route="canaerospace", identifier=AIRSPEED_IDENTIFIER, lost_s=3.0),
        full_trim_airspeed_kt=70.0,
        slow_trim_airspeed_kt=140.0,
        slow_trim_duty=0.45,
        trim_pwm_hz=400.0,
        quantities=quantities or {},
    )


def _switch(name: str) -> SwitchInput:
    axis, seat, way = name.split(".")
    return SwitchInput(
        name=name, pin=pin_of(name), axis=axis, rank=0 if seat == "left" else 1, direction=1 if way == "up" else -1
    )


def _dimmer(index: int, name: str) -> DimmerOutput:
    pwm = index < 4
    return DimmerOutput(
        name=name,
        pin=pin_of(name),
        pwm=pwm,
        rheostat="rheostat-1" if index % 2 == 0 else "rheostat-2",
        off_below=0.02,
        low_level=4.0 if pwm else 1.5,
        high_level=100.0 if pwm else 12.0,
    )


def dotterel_parameters(
    quantities: dict[str, float] | None = None, **supply: Any
) -> tuple[BenchParameters, TwinParameters]:
    """Return bench and twin, with the given quantities and supply fields in place of their defaults."""
    return dotterel_bench(**supply), dotterel_twin(quantities)


def airspeed_frame(airspeed_kt: float, code: int = 0) -> bytes:
    """Return the bench's airspeed payload: FLOAT in m/s."""
    return bytes((1, 2, 0, code & 0xFF)) + np.array(airspeed_kt * 1852.0 / 3600.0, dtype=">f4").tobytes()


class World:
    """A plant with its bench's habits: watchdog held, and small words for what tests do often."""

    def __init__(
        self,
        quantities: dict[str, float] | None = None,
        *,
        seed: int = 1,
        unit: dict[str, Any] | None = None,
        **supply: Any,
    ) -> None:
        bench, twin = dotterel_parameters(quantities, **supply)
        self.plant = Plant(bench, replace(twin, **(unit or {})), seed)
        self.plant.set_watchdog(True)
        self._code = 0

    def wait(self, duration_s: float) -> None:
        """Let time pass."""
        self.plant.advance_to(self.plant.now_ns + round(duration_s * SECOND))

    def power_up(self, voltage_v: float = 13.8, *, airspeed_kt: float | None = 60.0) -> None:
        """Plug the unit, idle its inputs, switch on and wait until it runs; then one airspeed frame."""
        plant = self.plant
        plant.plug_unit()
        for name in DISCRETES[:6]:
            plant.set_analog_output(STIMULI[name], 5.0)
        plant.supply.set_current_limit(20.0)
        plant.set_digital_output(PATH_RUN, True)
        plant.supply.set_voltage(voltage_v)
        plant.supply.set_output(True)
        self.wait(0.9)
        if airspeed_kt is not None:
            self.fly(airspeed_kt)

    def fly(self, airspeed_kt: float) -> None:
        """Send one airspeed frame and let it arrive."""
        self._code += 1
        self.plant.send_frame(AIRSPEED_IDENTIFIER, airspeed_frame(airspeed_kt, self._code))
        self.wait(0.02)

    def keep_flying(self, airspeed_kt: float, duration_s: float) -> None:
        """Send airspeed every 100 ms for as long as given."""
        start_ns, end_ns = self.plant.now_ns, self.plant.now_ns + round(duration_s * SECOND)
        for time_ns in range(start_ns, end_ns, 100 * MILLISECOND):
            self.plant.at(time_ns, lambda: self.plant.send_frame(AIRSPEED_IDENTIFIER, airspeed_frame(airspeed_kt)))

    def press(self, switch: str) -> None:
        """Close a trim switch."""
        self.plant.set_digital_output(SWITCH_OUTPUT[switch], True)

    def release(self, switch: str) -> None:
        """Open a trim switch."""
        self.plant.set_digital_output(SWITCH_OUTPUT[switch], False)

    def load(self, axis: str) -> None:
        """Arm, and put 9.0 ohm to an axis."""
        self.plant.set_digital_output(ARM, True)
        self.plant.set_digital_output(LOAD_9_OHM[axis], True)

    def load_motor(self, axis: str) -> None:
        """Put the motor to an axis, then arm."""
        self.plant.set_digital_output(LOAD_MOTOR[axis], True)
        self.plant.set_digital_output(ARM, True)

    def draw(self, mode: LoadMode, level: float, *, where: str, reverse: bool = False) -> None:
        """Arm, connect the electronic load to an axis or the plug, and have it draw."""
        load = self.plant.load
        assert load is not None
        self.plant.set_digital_output(ARM, True)
        self.plant.set_digital_output(REVERSE, reverse)
        self.plant.set_digital_output(DRAW[where], True)
        load.set_mode(mode)
        load.set_level(mode, level)
        load.set_input(True)

    def times(self, start_s: float, stop_s: float, rate_hz: float = 50e3) -> NDArray[np.int64]:
        """Return sample instants in ns on a grid from the plant's beginning."""
        first, last = round(start_s * rate_hz), round(stop_s * rate_hz)
        times: NDArray[np.int64] = np.rint(np.arange(first, last) * (SECOND / rate_hz)).astype(np.int64)
        return times
