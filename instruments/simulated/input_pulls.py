"""What the unit has at each of its input pins."""

from instruments.simulated.parameters import TwinParameters
from instruments.simulated.stimulus_pins import Pull
from instruments.simulated.twin_defaults import twin_quantities

LINE_PULL_OHM = 4700.0  # of switch and other command lines
LINE_PULL_V = 5.0


def input_pulls(parameters: TwinParameters) -> dict[str, Pull]:
    """Return the pull, and a short where there is one, of every input pin by name; rheostat wipers have none.

    Raises:
        ValueError: the twin names a quantity it does not have.
    """
    quantities = twin_quantities(parameters)
    line = Pull(voltage_v=LINE_PULL_V, resistance_ohm=LINE_PULL_OHM)
    pulls = dict.fromkeys((*(switch.pin for switch in parameters.switches), *parameters.pulled_up_pins), line)
    pulls.update({rheostat.pin: Pull() for rheostat in parameters.rheostats})
    for discrete in parameters.discretes:
        pulls[discrete.pin] = Pull(
            voltage_v=quantities[f"{discrete.name}.pull_v"],
            resistance_ohm=quantities[f"{discrete.name}.pull_ohm"],
            ground_short_s=quantities[f"{discrete.name}.ground_short_s"],
        )
    return pulls
