"""What a measurement is going to be worth against its limit: expected uncertainty, room, and what that comes to.

The rule, and why. A good unit passes when its value keeps U away from the limit, so what counts is how far the limit is
from where a good unit stands: the room. Of two limits that is half the distance between them. Of one it is the distance
from the nominal value, or, where the sheet gives none inside, from zero: a time, a current, a resistance that is only
limited upwards can't be less. Room of no more than U: no good unit could pass, refused. Under three times U (four times
where a test limit, which already allows for measurement, is simply applied): it can be done, at a larger risk of not
being able to tell.
"""

import math
from dataclasses import dataclass

from analysis.finding import Limit, LimitKind
from analysis.sentences import scale_for

COVERAGE_FACTOR = 2.0
COMFORTABLE_RATIO = 3.0  # room over U
TEST_LIMIT_RATIO = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """One limit, the expanded uncertainty with which this bench measures what it limits, and the room there is.

    Args:
        limit: of the unit sheet.
        expanded_uncertainty: expected, k = 2, in the limit's unit.
    """

    limit: Limit
    expanded_uncertainty: float

    @property
    def room(self) -> float:
        """How far the limit is from where a good unit stands, in the limit's unit."""
        low, high, nominal = self.limit.low, self.limit.high, self.limit.nominal
        if math.isfinite(low) and math.isfinite(high):
            return 0.5 * (high - low)
        side = high if math.isfinite(high) else low
        return abs(side - nominal) if low < nominal < high else abs(side)

    @property
    def ratio(self) -> float:
        """Room over U; infinite without uncertainty."""
        return self.room / self.expanded_uncertainty if self.expanded_uncertainty > 0.0 else math.inf

    @property
    def needed_room(self) -> float:
        """The ratio that must be there for a reading to decide anything: beyond 1, of a test limit at least 4."""
        return TEST_LIMIT_RATIO if self.limit.kind is LimitKind.TEST_LIMIT else 1.0

    @property
    def refused(self) -> bool:
        """Whether no good unit could pass, or the limit may not be applied at such an uncertainty."""
        return self.ratio <= 1.0 or self.ratio < self.needed_room

    @property
    def tight(self) -> bool:
        """Whether there is less room than is comfortable."""
        return self.ratio < COMFORTABLE_RATIO

    @property
    def said(self) -> str:
        """Uncertainty, room and their ratio in words."""
        limit = self.limit
        room = self._number(self.room)
        if math.isfinite(limit.low) and math.isfinite(limit.high):
            room = f"+/- {room}"
        else:
            room += f" from {'nominal' if limit.low < limit.nominal < limit.high else 'zero'} to the limit"
        return f"{limit.id}: U = {self._number(self.expanded_uncertainty)} against {room}"

    @property
    def remark(self) -> str:
        """What is to be said of a limit measured with little to spare; "" where there is enough or too little."""
        if self.refused or not self.tight:
            return ""
        return f"{self.said}: {self.ratio:.1f}:1, under {COMFORTABLE_RATIO:.0f}:1"

    @property
    def refusal(self) -> str:
        """Why no reading would decide anything; "" where one does."""
        if self.ratio <= 1.0:
            return f"{self.said}: no reading could pass"
        if self.refused:
            return f"{self.said}: {self.ratio:.1f}:1 where a test limit needs {TEST_LIMIT_RATIO:.0f}:1"
        return ""

    @property
    def remedy(self) -> str:
        """What would do where it is refused."""
        return f"a measurement of {self.limit.id} with U below {self._number(self.room / self.needed_room)}"

    def to_json(self) -> dict[str, object]:
        """Return it as plain values."""
        return {
            "limit": self.limit.id,
            "quantity_unit": self.limit.quantity_unit,
            "expanded_uncertainty": self.expanded_uncertainty,
            "room": self.room,
            "ratio": self.ratio if math.isfinite(self.ratio) else None,
        }

    def _number(self, value: float) -> str:
        scale = scale_for(self.limit.quantity_unit, value)
        return f"{value / scale.factor:.3g} {scale.word}"
