"""Where pyserial looks for the class behind `simbench://NAME` (it asks for a module of just this name)."""

from instruments.simulated.serial_link import SimulatedSerial as Serial

__all__ = ["Serial"]
