"""A realistic run to print: about 120 findings of an invented unit, and the small summaries tests start from."""

import math
from dataclasses import replace
from xml.etree import ElementTree as ET

from analysis.finding import Finding
from analysis.measurement import Curve
from analysis.report.data import (
    AttemptLine,
    InjectedDefect,
    InstrumentLine,
    NotRun,
    PlanRemark,
    PromptLine,
    RunSummary,
)
from analysis.verdict import Cause, Verdict

FUNCTIONS = {
    "power": "Power input",
    "discretes": "Discrete inputs",
    "dimming": "Panel dimming",
    "pitch": "Pitch trim",
    "roll": "Roll trim",
    "yaw": "Yaw trim",
    "brownout": "Brownout behaviour",
    "flaps": "Flaps",
    "lights": "Landing lights",
    "hold-up": "Hold-up output",
    "bus": "Reports on the avionics bus",
}
NOT_TESTED = ("Flaps", "Landing lights", "Hold-up output")
SOURCE = "invented for the demo, 2026-11-25"


def measured(  # noqa: PLR0917 - a table of findings reads best as short positional calls
    name: str,
    function: str,
    title: str,
    value: float,
    unit: str,
    u: float,
    low: float = -math.inf,
    high: float = math.inf,
    **other: object,
) -> Finding:
    """Make a measured finding with the verdict of the three-zone rule at U = 2 u."""
    room = min(value - low, high - value)
    allowed = (high - low) / 2 if math.isfinite(high - low) else abs(high if math.isfinite(high) else low)
    verdict = Verdict.PASS if room >= 2 * u else Verdict.FAIL if room < -2 * u else Verdict.INCONCLUSIVE
    cause = {Verdict.PASS: None, Verdict.FAIL: Cause.UNIT, Verdict.INCONCLUSIVE: Cause.UNDECIDED}[verdict]
    finding = Finding(
        id=name,
        procedure=function,
        function=function,
        title=title,
        verdict=verdict,
        cause=cause,
        value=value,
        quantity_unit=unit,
        standard_uncertainty=u,
        degrees_of_freedom=math.inf,
        low=low,
        high=high,
        margin=room,
        margin_percent=100 * room / allowed,
        rule="three-zone",
        conformity_probability=0.5 * (1 + math.erf(room / u / math.sqrt(2))),
        limit_id=name,
        limit_source=SOURCE,
        capture=f"{function}.{name}",
        expanded_uncertainty=2 * u,
    )
    return replace(finding, **other)


def counted(name: str, function: str, title: str, trials: int, failures: int = 0, **other: object) -> Finding:
    """Make a logical finding."""
    finding = Finding(
        id=name,
        procedure=function,
        function=function,
        title=title,
        verdict=Verdict.FAIL if failures else Verdict.PASS,
        cause=Cause.UNIT if failures else None,
        rule="exact",
        limit_source=SOURCE,
        capture=f"{function}.{name}",
        trials=trials,
        failures=failures,
    )
    return replace(finding, **other)


def unit_findings() -> tuple[Finding, ...]:
    """About 120 findings of a good unit, none of them open."""
    made = [
        measured("quiescent", "power", "Quiescent current at 13.8 V", 0.1512, "A", 0.0018, 0.09, 0.21, pins=("P1-1",)),
        measured("ground", "power", "Power ground against signal ground at 4.5 A", 0.0061, "ohm", 0.0013, high=0.02),
        measured("ready", "power", "Ready after power-up", 0.604, "s", 0.0006, high=2.0, pins=("P1-1",)),
        measured("capacitance", "power", "Input capacitance", 2.21e-3, "F", 0.03e-3, 1.76e-3, 2.64e-3, pins=("P1-1",)),
        measured("signature", "power", "Unpowered current at 1 V", 0.00011, "A", 0.00003, high=0.005, pins=("P1-1",)),
        measured("lock-out", "brownout", "Motion locked out below", 8.02, "V", 0.031, 7.7, 8.3, pins=("P1-1",)),
        measured("release", "brownout", "Motion free again above", 8.77, "V", 0.038, 8.5, 9.1, pins=("P1-1",)),
        measured("reset", "brownout", "Resets below", 4.46, "V", 0.02, 4.2, 4.8, pins=("P1-1",)),
        counted("periodic", "bus", "Reports come every second", 60),
        counted("motion", "brownout", "No uncommanded motion over fall and rise", 1),
    ]
    for number in range(1, 11):
        pin = (f"P2-{number}",)
        low_active = number <= 6
        on, off = (1.6, 2.6) if low_active else (4.0, 3.0)
        span = 0.3 if low_active else 0.5
        name = f"Discrete {number}"
        shift = 0.021 * ((number * 7) % 5 - 2)
        key = f"discrete-{number}"
        made += [
            counted(f"{key}.truth", "discretes", f"{name} follows its stimulus", 20, pins=pin),
            measured(f"{key}.on", "discretes", f"{name}: goes active at", on + shift, "V", 0.012, on - span, on + span),
            measured(
                f"{key}.off", "discretes", f"{name}: inactive at", off - shift, "V", 0.012, off - span, off + span
            ),
            measured(f"{key}.hysteresis", "discretes", f"{name}: hysteresis", 1 - 2 * shift, "V", 0.014, low=0.3),
            measured(
                f"{key}.debounce", "discretes", f"{name}: shortest pulse accepted", 0.0175, "s", 0.0014, high=0.025
            ),
            measured(f"{key}.latency", "discretes", f"{name}: latency, longest of 59", 0.0268, "s", 5e-5, high=0.045),
        ]
        if low_active:
            made.append(
                measured(f"{key}.pull", "discretes", f"{name}: pull-up current", 1.02e-3, "A", 9e-6, 0.8e-3, 1.3e-3)
            )
        made[-6:] = [replace(finding, pins=pin) for finding in made[-6:]]
    for number in range(1, 5):
        pin = (f"P3-{number}",)
        made += [
            measured(
                f"pwm-{number}.frequency", "dimming", f"PWM {number}: frequency", 240.7, "Hz", 0.4, 216, 264, pins=pin
            ),
            measured(
                f"pwm-{number}.end", "dimming", f"PWM {number}: duty at full travel", 99.1, "%", 0.28, 97, 103, pins=pin
            ),
            measured(
                f"pwm-{number}.curve", "dimming", f"PWM {number}: worst off the line", 1.1, "%", 0.3, -3, 3, pins=pin
            ),
            counted(f"pwm-{number}.rise", "dimming", f"PWM {number} rises with travel", 20, pins=pin),
        ]
    for number in range(1, 3):
        made.append(measured(f"dc-{number}.end", "dimming", f"DC {number}: full level", 11.94, "V", 0.02, 11.7, 12.3))
    for axis, seats in (("pitch", ("left", "right")), ("roll", ("left", "right")), ("yaw", ("left",))):
        pin = {"pitch": ("P1-4", "P1-5"), "roll": ("P1-6", "P1-7"), "yaw": ("P1-8", "P1-9")}[axis]
        for seat in seats:
            for way in ("up", "down") if axis == "pitch" else ("left", "right"):
                key, words = f"{axis}.{seat}.{way}", f"{axis.capitalize()} {way}, {seat} seat"
                made += [
                    measured(f"{key}.drop", axis, f"{words}: drop", 0.3104, "V", 0.014, high=0.6, pins=pin),
                    counted(f"{key}.polarity", axis, f"{words}: polarity as drawn", 1, pins=pin),
                    measured(
                        f"{key}.cut-off", axis, f"{words}: held-switch cut-off", 4.02, "s", 0.002, 3.8, 4.2, pins=pin
                    ),
                ]
        made.append(
            measured(f"{axis}.idle", axis, f"{axis.capitalize()}: idle current", 2e-4, "A", 1e-5, high=2e-3, pins=pin)
        )
    return tuple(made)


def bench_findings() -> tuple[Finding, ...]:
    """Bench checks that all held."""
    return (
        measured("zero", "bench", "Largest channel zero", 0.0021, "V", 0.0006, -0.01, 0.01),
        measured("reference", "bench", "Reference read back", 5.0007, "V", 0.0013, 4.99, 5.01),
        measured("lead", "bench", "Positive lead at 10 A", 0.0121, "ohm", 0.0002, 0.010, 0.014),
        measured("legs", "bench", "Positive against negative leg", 0.004, "A", 0.006, -0.03, 0.03),
        counted("loop", "bench", "Stimulus lines read back as driven", 38),
    )


def with_faults(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Make one fail of the unit, one undecided, one spoilt by the bench, one measured again, and one not run."""
    changed = {
        "pitch.left.up.drop": measured(
            "pitch.left.up.drop",
            "pitch",
            "Pitch up, left seat: drop",
            0.913,
            "V",
            0.014,
            high=0.6,
            pins=("P1-4", "P1-5"),
            reasons=("Both directions of the right seat share the bridge and drop 0.31 V.",),
            next_step="Press the left switch at its own connector, with the harness unplugged.",
        ),
        "dc-1.end": measured(
            "dc-1.end",
            "dimming",
            "DC 1: full level",
            11.72,
            "V",
            0.02,
            11.7,
            12.3,
            reasons=("Closer to the limit than the measurement can tell.",),
            next_step="Measure the level with a meter of at most 5 mV uncertainty.",
        ),
        "discrete-4.latency": replace(
            next(f for f in findings if f.id == "discrete-4.latency"),
            verdict=Verdict.INCONCLUSIVE,
            cause=Cause.BENCH,
            value=math.nan,
            margin=math.nan,
            margin_percent=math.nan,
            standard_uncertainty=math.nan,
            expanded_uncertainty=math.nan,
            conformity_probability=math.nan,
            reasons=("412 samples of the capture were lost between 3.1 and 3.2 s.",),
            next_step="Run discrete-inputs again; if samples are lost again, change the USB cable of the DAQ.",
        ),
        "yaw.left.right.cut-off": replace(
            next(f for f in findings if f.id == "yaw.left.right.cut-off"),
            procedure="yaw-cut-off",
            verdict=Verdict.NOT_RUN,
            cause=None,
            value=math.nan,
            margin=math.nan,
            margin_percent=math.nan,
        ),
    }
    first = next(f for f in findings if f.id == "pwm-2.frequency")
    spoilt = replace(
        first, verdict=Verdict.INCONCLUSIVE, cause=Cause.BENCH, reasons=("Channel at the end of its range.",)
    )
    again = replace(first, attempt=2)
    result = []
    for finding in findings:
        if finding.id == first.id:
            result += [spoilt, again]
        else:
            result.append(changed.get(finding.id, finding))
    return tuple(result)


def curves(count: int) -> tuple[Curve, ...]:
    """Make dimming curves with limit lines, long enough to need thinning."""
    travel = tuple(number / 10 for number in range(1001))
    made = []
    for number in range(1, count + 1):
        duty = tuple(0.0 if x < 2 else 4 + 0.96 * x + 0.4 * math.sin(x / 4 + number) for x in travel)
        line = tuple(4 + 0.96 * x for x in travel)
        made.append(
            Curve(
                id=f"pwm-{number}",
                title=f"PWM {number}: duty over travel, up and down",
                function="dimming",
                x_label="Travel / %",
                y_label="Duty / %",
                series={"up": (travel, duty), "down": (travel, tuple(y - 0.3 for y in duty))},
                bands={
                    "lower limit": (travel, tuple(y - 3 for y in line)),
                    "upper limit": (travel, tuple(y + 3 for y in line)),
                },
                capture=f"dimming.pwm-{number}.curve",
            )
        )
    return tuple(made)


def parse(svg: str) -> ET.Element:
    """Parse a drawing of ours; raises where it is not well formed."""
    return ET.fromstring(svg)  # noqa: S314 - our own drawing


def sample_summary(**changes: object) -> RunSummary:
    """Return a full run of a simulated unit that failed, or that run with `changes`."""
    summary = RunSummary(
        record="2026-11-25_dotterel-6_SIM-0147_7f3a",
        serial="SIM-0147",
        model="dotterel-6",
        model_title="Dotterel 6, 14 V",
        part="DT6-14",
        modification="B",
        firmware="2.3",
        aircraft="Whimbrel, two-seater",
        plan="acceptance",
        plan_title="Acceptance",
        bench="Simulated bench of Saltmarsh Avionics",
        simulated=True,
        verdict=Verdict.FAIL,
        cause=Cause.UNIT,
        partial=False,
        tested=tuple(title for title in FUNCTIONS.values() if title not in NOT_TESTED),
        not_tested=NOT_TESTED,
        function_titles=FUNCTIONS,
        pin_titles={"P1-1": "power +", "P1-4": "pitch motor +", "P1-5": "pitch motor -"}
        | {f"P2-{n}": f"discrete {n}" for n in range(1, 11)}
        | {f"P3-{n}": f"dimming PWM {n}" for n in range(1, 5)},
        findings=with_faults(unit_findings()),
        bench_findings=bench_findings(),
        bench_facts=(
            "Supply read-back agrees with the shunt within 3 u over 14 steady windows.",
            "The hold-up branch could not be checked: no calibrated load is wired to it.",
        ),
        curves=curves(4),
        not_run=(
            NotRun(
                procedure="yaw-cut-off", title="Yaw held-switch cut-off", reason="its gate, yaw polarity, was left out"
            ),
        ),
        remarks=(
            PlanRemark(
                procedure="ripple", title="DC dimming ripple", remark="can't: needs 100 kS/s, the DAQ has 50 kS/s"
            ),
        ),
        attempts=(
            AttemptLine(
                procedure="dimming",
                title="Panel dimming",
                attempt=1,
                verdict=Verdict.INCONCLUSIVE,
                cause=Cause.BENCH,
                reason="a channel stood at the end of its range",
            ),
            AttemptLine(procedure="dimming", title="Panel dimming", attempt=2, verdict=Verdict.PASS),
            AttemptLine(procedure="pitch", title="Pitch trim", attempt=1, verdict=Verdict.FAIL, cause=Cause.UNIT),
        ),
        instruments=(
            InstrumentLine(
                name="Supply",
                identity="simulated supply 36 V 60 A, firmware 1.0",
                calibration="simulated: by its sheet",
            ),
            InstrumentLine(
                name="DAQ",
                identity="simulated DAQ, 48 inputs, firmware 1.0",
                calibration="certificate SA-2026-118",
                due="2027-03-31",
            ),
            InstrumentLine(
                name="Bus interface", identity="simulated CAN, 125 kbit/s", calibration="not needed: timing by the DAQ"
            ),
        ),
        prompts=(PromptLine(time_s=31.2, prompt="Plug the unit into the adapter.", answer="done"),),
        digests={
            "unit sheet": "9b1c" * 16,
            "aircraft sheet": "07aa" * 16,
            "bench sheet": "51fe" * 16,
            "plan": "c3d4" * 16,
        },
        operator="M. Reed",
        work_order="WO-2271",
        squawk="Left seat: nose-up trim slow after a cold start, right seat fine. Bus at 13.9 V.",
        squawk_reproduced=True,
        remark="Connector P1 cleaned before the test.",
        ambient="21.4 degC, 46 % RH",
        configuration_found="1: two seats, three axes",
        configuration_left="1: two seats, three axes",
        start="2026-11-25T14:02:11+01:00",
        end="2026-11-25T14:26:37+01:00",
        bench_time_s=1450.0,
        software="boxproof 0.1.0",
        seed=147,
        defects=(InjectedDefect(id="bridge", title="Pitch bridge resistance tripled", of="unit", severity=1.0),),
    )
    return replace(summary, **changes)


def passing_summary(**changes: object) -> RunSummary:
    """Return a whole run on a real bench that passed and left nothing open, or that run with `changes`."""
    rest = tuple(
        counted(f"{name}.works", name, f"{FUNCTIONS[name]}: follow their commands", 20)
        for name in ("flaps", "lights", "hold-up")
    )
    calm = {
        "serial": "0147",
        "simulated": False,
        "verdict": Verdict.PASS,
        "cause": None,
        "findings": (*unit_findings(), *rest),
        "tested": tuple(FUNCTIONS.values()),
        "not_tested": (),
        "not_run": (),
        "remarks": (),
        "defects": (),
        "seed": None,
        "curves": (),
        "attempts": (),
    }
    return sample_summary(**(calm | changes))
