"""The simulated instruments on real links of this machine, in wall time: what a driver meets on a bench of metal."""
