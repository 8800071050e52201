"""How warm a part of the unit is: one heat capacity behind one thermal resistance, in closed form between events."""

import math

from instruments.simulated.agenda import NS_PER_S


class WarmPart:
    """Temperature above the part's surroundings, in K; it goes towards where its heat takes it."""

    def __init__(self, time_constant_s: float) -> None:
        self._tau_ns = time_constant_s * NS_PER_S
        self._since_ns = 0
        self._rise_k = 0.0
        self.final_k = 0.0

    def rise_k(self, now_ns: int) -> float:
        """Return the rise now."""
        left = math.exp(-(now_ns - self._since_ns) / self._tau_ns)
        return self.final_k + (self._rise_k - self.final_k) * left

    def heat(self, now_ns: int, final_k: float) -> None:
        """Have it go towards another rise from now on."""
        self._rise_k, self._since_ns = self.rise_k(now_ns), now_ns
        self.final_k = final_k

    def reaches_ns(self, level_k: float, now_ns: int) -> int | None:
        """Return when it comes to a level on its way, None where it does not."""
        rise_k = self.rise_k(now_ns)
        whole, rest = self.final_k - rise_k, self.final_k - level_k
        if whole == 0.0 or not 0.0 < rest / whole <= 1.0:
            return None
        return now_ns + math.ceil(self._tau_ns * math.log(whole / rest))
