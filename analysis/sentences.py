"""Findings and verdicts in words: the one wording that report, console lines and CSV share.

Digits follow the uncertainty: a number is printed to the second significant digit of its expanded
uncertainty U (GUM 7.2.6), and one sentence uses one engineering unit throughout. A number that is not known
prints as "not measured", never as 0 or as off. Nothing here judges anything.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.finding import Finding
from analysis.statistics import upper_bound
from analysis.verdict import Cause, Verdict

NOT_MEASURED = "not measured"

# Below this many tries the 95 % bound on an event never seen exceeds 14 %, which reassures nobody.
FEWEST_TRIES_FOR_BOUND = 20

# From here on t and normal distribution differ by less than 0.2 % at 95.45 %: only bounds matter.
MOST_DEGREES_OF_FREEDOM = 1000.0

DIGITS_WITHOUT_UNCERTAINTY = 4
MOST_DECIMALS = 9

# Unit of measure -> (word, factor), largest first; the last one whose factor still leaves the number at 1 or
# more is taken (0.1 for volts, amps and ohms, which a technician reads as 0.31 V rather than as 310 mV).
_STEPS: dict[str, tuple[tuple[str, float, float], ...]] = {
    "V": (("V", 1.0, 0.1), ("mV", 1e-3, 0.1), ("\N{MICRO SIGN}V", 1e-6, 0.0)),
    "A": (("A", 1.0, 0.1), ("mA", 1e-3, 0.1), ("\N{MICRO SIGN}A", 1e-6, 0.0)),
    "s": (("s", 1.0, 1.0), ("ms", 1e-3, 0.1), ("\N{MICRO SIGN}s", 1e-6, 0.0)),
    "ohm": (("kohm", 1e3, 1.0), ("ohm", 1.0, 0.1), ("milliohm", 1e-3, 0.0)),
    "S": (("S", 1.0, 0.1), ("mS", 1e-3, 0.1), ("\N{MICRO SIGN}S", 1e-6, 0.0)),
    "F": (("F", 1.0, 0.1), ("mF", 1e-3, 0.1), ("\N{MICRO SIGN}F", 1e-6, 0.0)),
    "Hz": (("kHz", 1e3, 10.0), ("Hz", 1.0, 0.0)),
    "W": (("W", 1.0, 0.1), ("mW", 1e-3, 0.0)),
}


@dataclass(frozen=True, slots=True)
class Scale:
    """An engineering unit: `word` as printed, and how many of the plain unit one of it is."""

    word: str
    factor: float

    def number(self, value: float, decimals: int) -> str:
        """Print `value` (plain unit) in this unit, without the word; not finite prints as not measured."""
        if not math.isfinite(value):
            return NOT_MEASURED
        text = f"{value / self.factor:.{decimals}f}"
        return text.removeprefix("-") if float(text) == 0.0 else text

    def quantity(self, value: float, decimals: int) -> str:
        """Print `value` with its unit word; not finite prints as not measured."""
        number = self.number(value, decimals)
        return number if number == NOT_MEASURED or not self.word else f"{number} {self.word}"


def scale_for(quantity_unit: str, *magnitudes: float) -> Scale:
    """Choose the engineering unit in which the largest finite magnitude reads well.

    Args:
        quantity_unit: unit of measure of the numbers ("V", "s", "%", "" ...); unknown ones are kept as they are.
        magnitudes: the numbers that will stand together in a sentence, in that unit.
    """
    steps = _STEPS.get(quantity_unit)
    if steps is None:
        return Scale(quantity_unit, 1.0)
    largest = max((abs(value) for value in magnitudes if math.isfinite(value)), default=0.0)
    if largest == 0.0:
        return Scale(quantity_unit, 1.0)
    for word, factor, least in steps:
        # A hair of slack, so that a limit of exactly 0.1 V does not fall to millivolts by rounding.
        if largest / factor >= least * (1.0 - 1e-9):
            return Scale(word, factor)
    word, factor, _ = steps[-1]
    return Scale(word, factor)


def decimals_for(uncertainty: float, *, factor: float = 1.0, value: float = math.nan) -> int:
    """Return the decimals that show two significant digits of `uncertainty` once divided by `factor`.

    Without a finite uncertainty above 0 the value is given four significant digits.
    """
    if math.isfinite(uncertainty) and uncertainty > 0.0:
        exponent = int(f"{uncertainty / factor:.1e}".partition("e")[2])  # after rounding: 0.0996 counts as 0.10
        return min(MOST_DECIMALS, max(0, 1 - exponent))
    if math.isfinite(value) and value != 0.0:
        exponent = int(f"{value / factor:.3e}".partition("e")[2])
        return min(MOST_DECIMALS, max(0, DIGITS_WITHOUT_UNCERTAINTY - 1 - exponent))
    return DIGITS_WITHOUT_UNCERTAINTY - 1


def format_quantity(value: float, quantity_unit: str, uncertainty: float = math.nan) -> str:
    """Print one number with its unit, to the digits its expanded uncertainty allows.

    >>> format_quantity(0.31234, "V", 0.028)
    '0.312 V'
    >>> format_quantity(math.nan, "A")
    'not measured'
    """
    scale = scale_for(quantity_unit, value)
    return scale.quantity(value, decimals_for(uncertainty, factor=scale.factor, value=value))


def is_logical(finding: Finding) -> bool:
    """Say whether the finding is an exact count rather than a measured value."""
    return finding.trials is not None


@dataclass(frozen=True, slots=True)
class Figures:
    """The numbers of one measured finding as text, all in one engineering unit and to the same digits.

    `value`, `low`, `high`, `margin` and `uncertainty` carry no unit word (`unit` is it); "" where there is none.
    """

    unit: str
    value: str
    low: str
    high: str
    margin: str
    uncertainty: str


def figures(finding: Finding) -> Figures:
    """Print the numbers of a measured finding so that they can be read against each other."""
    scale = scale_for(finding.quantity_unit, finding.value, finding.low, finding.high)
    decimals = decimals_for(finding.expanded_uncertainty, factor=scale.factor, value=finding.value)
    # Limits are exact as the sheet writes them; a digit less than the value's keeps them from looking measured.
    least = decimals - 1 if math.isfinite(finding.value) else 0
    limit_decimals = max(least, *(_decimals_needed(bound / scale.factor) for bound in (finding.low, finding.high)))
    margin_decimals = decimals
    # A distance to the limit that is there must not print as nothing.
    while (
        math.isfinite(finding.margin)
        and finding.margin != 0.0
        and margin_decimals < decimals + 3
        and float(scale.number(finding.margin, margin_decimals)) == 0.0
    ):
        margin_decimals += 1
    value_decimals = max(decimals, margin_decimals)
    return Figures(
        unit=scale.word,
        value=scale.number(finding.value, value_decimals),
        low=scale.number(finding.low, limit_decimals) if math.isfinite(finding.low) else "",
        high=scale.number(finding.high, limit_decimals) if math.isfinite(finding.high) else "",
        margin=scale.number(finding.margin, margin_decimals) if math.isfinite(finding.margin) else "",
        uncertainty=scale.number(finding.expanded_uncertainty, decimals)
        if math.isfinite(finding.expanded_uncertainty)
        else "",
    )


def finding_sentence(finding: Finding) -> str:
    """Say what was found, without the verdict: value, what is allowed, what is spare, and how well it is known.

    A measured one reads "Pitch up, left seat: drop 0.310 V, allowed up to 0.60 V, 0.290 V spare, +/- 0.028 V",
    a logical one "Discrete 3: follows its stimulus: held in 6 of 6 tries" or, where the tries are enough for a bound,
    "... never failed in 20 tries: rate below 14 % at 95 %". What was not run or not measured says so.
    """
    if finding.verdict is Verdict.NOT_RUN:
        return f"{finding.title}: not run"
    if is_logical(finding):
        return _logical_sentence(finding)
    if not math.isfinite(finding.value):
        allowed = _allowed(figures(finding))
        return f"{finding.title}: {NOT_MEASURED}" + (f", {allowed}" if allowed else "")
    numbers = figures(finding)
    parts = [f"{_lead_in(finding.title)} {_with_unit(numbers.value, numbers.unit)}"]
    parts += [part for part in (_allowed(numbers), _room(finding, numbers), _how_well(numbers)) if part]
    return ", ".join(parts)


def allowed_words(finding: Finding) -> str:
    """Return the limits in words: "up to 0.60 V", "0.09 to 0.21 A", "from 0.30 V up", or "" without limits."""
    return _allowed(figures(finding)).removeprefix("allowed ")


def format_probability(probability: float) -> str:
    """Print a conformity probability in per cent; never as a plain 100 or 0, which no measurement gives."""
    if not math.isfinite(probability):
        return ""
    percent = 100.0 * probability
    if percent > 99.9:
        return "> 99.9 %"
    return "< 0.1 %" if percent < 0.1 else f"{percent:.1f} %"


def format_degrees_of_freedom(degrees_of_freedom: float) -> str:
    """Print effective degrees of freedom; "inf" where a known bound is all that counts, "" where not known.

    >>> [format_degrees_of_freedom(nu) for nu in (11.6, 4.2e14, math.inf, math.nan)]
    ['12', 'inf', 'inf', '']
    """
    if math.isnan(degrees_of_freedom):
        return ""
    return "inf" if degrees_of_freedom > MOST_DEGREES_OF_FREEDOM else f"{degrees_of_freedom:.0f}"


def verdict_words(verdict: Verdict, *, simulated: bool, cause: Cause | None = None) -> str:
    """Return the verdict as prose says it: "pass (simulated)", "inconclusive, cause: bench"."""
    words = f"{verdict.value} (simulated)" if simulated else verdict.value
    return f"{words}, cause: {cause.value}" if cause is not None and verdict is not Verdict.PASS else words


def verdict_sentence(
    *,
    verdict: Verdict,
    cause: Cause | None,
    simulated: bool,
    partial: bool,
    tested: Sequence[str],
    not_tested: Sequence[str],
    stopped: bool = False,
) -> str:
    """Return the sentence with a run's verdict; it always carries the functions that were not tested.

    Args:
        verdict: of the run.
        cause: whose doing it is when not a pass.
        simulated: whether the bench was a simulated one.
        partial: whether procedures of the plan were left out.
        tested: titles of the functions touched.
        not_tested: titles of the functions no procedure touched.
        stopped: whether the run was ended before its plan was through; such a run is partial too.
    """
    total = len(tested) + len(not_tested)
    sentence = verdict_words(verdict, simulated=simulated, cause=cause)
    if verdict is Verdict.PASS:
        sentence += f" for {len(tested)} of {total} functions"
    else:
        sentence += f"; {len(tested)} of {total} functions tested"
    if not_tested:
        sentence += f"; not tested: {in_running_text(not_tested)}"
    if not (partial or stopped):
        return sentence
    return f"{'run stopped before its end' if stopped else 'partial run'}: does not read as acceptance; {sentence}"


def in_running_text(titles: Sequence[str]) -> str:
    """Join titles for the middle of a sentence: without their capital, unless it begins an abbreviation."""
    return ", ".join(t[:1].lower() + t[1:] if t[1:2].islower() else t for t in titles)


def format_duration(duration_s: float) -> str:
    """Print a stretch of time in seconds, and from two minutes on in minutes and seconds as well."""
    if not math.isfinite(duration_s):
        return "not known"
    if duration_s < 120.0:
        return f"{duration_s:.1f} s"
    minutes, seconds = divmod(round(duration_s), 60)
    return f"{round(duration_s)} s ({minutes} min {seconds} s)"


def _lead_in(title: str) -> str:
    """Put a colon between title and value where they would run together ("at 13.8 V 0.151 A")."""
    _, colon, tail = title.rpartition(":")
    return title if colon and not any(character.isdigit() for character in tail) else f"{title}:"


def _logical_sentence(finding: Finding) -> str:
    trials = finding.trials or 0
    if trials == 0:
        return f"{finding.title}: {NOT_MEASURED}, no try counted"
    if finding.failures is None:
        return f"{finding.title}: not known, {_tries(trials)}"
    held = trials - finding.failures
    if math.isfinite(finding.rate_bound):
        return f"{finding.title}: {_rate(finding, trials, finding.failures)}"
    if trials == 1:
        return f"{finding.title}: {'held' if held else 'did not hold'} in the one try"
    if finding.failures:
        return f"{finding.title}: held in {held} of {trials} tries, not in {finding.failures}"
    words = f"held in {held} of {trials} tries"
    if trials >= FEWEST_TRIES_FOR_BOUND:
        words = f"never failed in {trials} tries: rate below {_percent_up(upper_bound(0, trials))} at 95 %"
    return f"{finding.title}: {words}"


def _rate(finding: Finding, trials: int, failures: int) -> str:
    """Say in how many tries something came, and what that proves of its rate; bounds are rounded outwards."""
    counted = f"not in {failures} of {_tries(trials)}" if failures else f"0 of {_tries(trials)} failed"
    bound = f"rate below {_percent_up(finding.rate_bound)} at 95 %"
    if not failures:
        return f"{counted}: {bound}"
    low, high = _percent_down(finding.rate_low), _percent_up(finding.rate_high)
    return f"{counted}: {bound}, two-sided {low} to {high}"


def _allowed(numbers: Figures) -> str:
    if numbers.low and numbers.high:
        return f"allowed {numbers.low} to {_with_unit(numbers.high, numbers.unit)}"
    if numbers.high:
        return f"allowed up to {_with_unit(numbers.high, numbers.unit)}"
    if numbers.low:
        return f"allowed from {_with_unit(numbers.low, numbers.unit)} up"
    return ""


def _room(finding: Finding, numbers: Figures) -> str:
    if not numbers.margin:
        return ""
    if finding.margin >= 0.0:
        return f"{_with_unit(numbers.margin, numbers.unit)} spare"
    side = "too high" if finding.value > finding.high else "too low"
    return f"{_with_unit(numbers.margin.removeprefix('-'), numbers.unit)} {side}"


def _how_well(numbers: Figures) -> str:
    if not numbers.uncertainty:
        return "uncertainty not known"
    return f"+/- {_with_unit(numbers.uncertainty, numbers.unit)}"


def _with_unit(number: str, unit: str) -> str:
    return f"{number} {unit}" if unit else number


def _tries(trials: int) -> str:
    return "1 try" if trials == 1 else f"{trials} tries"


def _percent_up(fraction: float) -> str:
    """Print a bound in per cent, rounded up to two significant digits so that it stays a bound."""
    percent = 100.0 * fraction
    decimals = 0 if percent >= 10.0 else 1 if percent >= 1.0 else 2
    step = 10.0**decimals
    return f"{math.ceil(percent * step - 1e-9) / step:.{decimals}f} %"


def _percent_down(fraction: float) -> str:
    """Print a lower bound in per cent, rounded down as `_percent_up` rounds up."""
    percent = 100.0 * fraction
    decimals = 0 if percent >= 10.0 else 1 if percent >= 1.0 else 2
    step = 10.0**decimals
    return f"{math.floor(percent * step + 1e-9) / step:.{decimals}f} %"


def _decimals_needed(number: float) -> int:
    """Return the decimals that print `number` as a sheet would write it (six significant digits at most)."""
    if not math.isfinite(number) or number == 0.0:
        return 0
    text = f"{number:.6g}"
    if "e" in text:
        return min(MOST_DECIMALS, max(0, 5 - math.floor(math.log10(abs(number)))))
    return len(text.partition(".")[2])
