import math
import re
from importlib.resources import files

import pytest
from sheet_texts import changed, dotterel, problems_of

from bench.plan_check import Ability
from bench.planning import plan_check
from bench.run_sheets import SheetNames, load_sheets
from bench.sheets import load_bench
from bench.sheets.load import load_bench_simulation
from bench.sheets.signals import expected_signals

PITCH_MOTOR = 'motor = { digital-output = 35, motor = "trim", max-current = "5 A", brake-output = 71 }'


def refused(folder, *edits):
    return problems_of(load_bench, changed(folder, "bench", *edits), dotterel())


def test_the_shipped_bench_wires_every_signal_of_the_model():
    bench = load_bench("simulated", dotterel())
    assert set(bench.signals) == set(expected_signals(dotterel()))
    pitch = bench.signals["pitch.current"]
    assert (pitch.kind, pitch.plus, pitch.quantity_unit, pitch.units_per_v) == ("current", "P1-9", "A", 0.5)
    assert (pitch.relative_bound, pitch.absolute_bound) == (0.003, 0.003)
    assert len(bench.switches) == len(set(bench.switches.values())) == 15
    assert set(bench.lines) == {*bench.switches, "bus.receive"}
    assert bench.paths.keys() == {"run", "20 ohm", "0.5 ohm", "dip source"}
    assert bench.supply.max_current_a == 60.0
    assert bench.daq.noise_v == {10.0: 0.0003, 40.0: 0.001}
    assert len(bench.digest) == 64


def test_procedures_learn_of_the_bench_what_its_sheet_says():
    facts = load_bench("simulated", dotterel()).facts
    assert facts.loads["pitch"]["9.0 ohm"].resistance_ohm == 9.0
    assert facts.loads["pitch"]["open"].resistance_ohm == math.inf
    assert facts.loads["plug"].keys() == {"open", "1.4 ohm"}
    assert {name for name, load in facts.loads["dc-1"].items() if load.to_reference} == {"10 kohm"}
    assert facts.path_resistance_ohm == {"run": 0.0, "20 ohm": 20.0, "0.5 ohm": 0.5, "dip source": 0.0}
    assert facts.path_resistance_bound == {"run": 0.0, "20 ohm": 0.01, "0.5 ohm": 0.05, "dip source": 0.0}
    assert facts.clock_bound == 50e-6
    pitch = facts.channels["pitch.current"]  # 10 V range behind 0.5 A/V
    assert (pitch.quantity_unit, pitch.full_scale) == ("A", 5.0)
    assert (pitch.relative_bound, pitch.absolute_bound) == (0.003, 0.003)
    assert pitch.noise == pytest.approx(0.5 * 0.0003)
    assert facts.channels.keys() == load_bench("simulated", dotterel()).signals.keys()
    assert (facts.stimulus_relative_bound, facts.stimulus_absolute_bound_v) == (0.0005, 0.005)


SWITCH_1 = 'pitch-left-up = { digital-output = 0, digital-input = 1, pin = "P3-1" }'
FEED_7 = (
    '"68 ohm" = { digital-output = 16, resistance = "68 ohm", tolerance = "0.1 %", max-current = "0.3 A", to = "bus" }'
)
FEED_PWM_2 = 'digital-output = 51, resistance = "10 kohm", tolerance = "0.1 %", max-current = "2 mA", to = "reference"'
INPUT_8 = '"discrete-2.voltage" = { input = 8, range = "10 V", probe = "volts", plus = "P2-2", minus = "P1-3" }'


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (
            ('discrete-2 = { output = 1, pin = "P2-2" }', 'discrete-2 = { output = 1, pin = "P2-1" }'),
            'pin "P2-1" is wired twice',
        ),
        (
            ('discrete-2 = { output = 1, pin = "P2-2" }', 'discrete-2 = { output = 1, pin = "P2-1" }'),
            'the unit sheet has it at "P2-2"',
        ),
        (
            ('P3-16 = "no flap position source on this bench"\n', ""),
            'pin "P3-16" (flap position sensor) is not wired; wire it, or',
        ),
        ((SWITCH_1 + "\n", ""), 'pin "P3-1" (pitch trim switch, left seat, up) is not wired'),
        (
            ("[adapters.dotterel-6.unused]", '[adapters.dotterel-6.unused]\nP2-1 = "spare"'),
            "unused.P2-1: is wired by adapters.dott",
        ),
        ((FEED_7, FEED_7.replace(', to = "bus"', "")), 'give "bus": a resistor at a discrete feeds it from the bus'),
        (
            (FEED_7, FEED_7 + "\n" + FEED_7.replace("68 ohm", "100 ohm").replace("16", "44")),
            "loads.discrete-7: has 2 feeds; leave one",
        ),
        (
            (FEED_PWM_2, FEED_PWM_2.replace("reference", "bus")),
            'give "ground" or "reference": only a discrete is fed from the bus',
        ),
        (("P3-16 =", "P9-16 ="), 'unused.P9-16: the unit has no pin "P9-16"; did you mean "P3-16"?'),
        ((INPUT_8, INPUT_8.replace("8", "7")), '"discrete-2.voltage".input: analogue input 7 is already that of'),
        ((INPUT_8, INPUT_8.replace("8", "48")), "there is no analogue input 48: the DAQ has 48; give 0 to 47"),
        ((INPUT_8, INPUT_8.replace('"10 V"', '"60 V"')), 'the DAQ has no range of 60 V; give one of "10 V", "40 V"'),
        ((INPUT_8, INPUT_8.replace('"10 V"', '"10 A"')), '"discrete-2.voltage".range: found "10 A"; give a voltage'),
        ((INPUT_8, INPUT_8.replace('"volts"', '"volt"')), 'there is no probe "volt"; did you mean "volts"?'),
        (
            (INPUT_8, INPUT_8.replace('"volts"', '"trim-current"')),
            'probe "trim-current" measures current; name a probe that',
        ),
        (
            (INPUT_8, INPUT_8.replace("P2-2", "P2-3")),
            '"discrete-2.voltage".plus: found "P2-3"; the unit sheet has it at "P2-2"',
        ),
        (
            (INPUT_8, INPUT_8.replace(', minus = "P1-3"', "")),
            '"discrete-2.voltage".minus: is missing; the unit sheet has it at',
        ),
        (
            (INPUT_8, INPUT_8.replace("discrete-2.", "discreet-2.")),
            'is no signal of this model; did you mean "discrete-2.voltage"?',
        ),
        (
            (SWITCH_1, SWITCH_1.replace("output = 0", "output = 1")),
            "digital output 1 is already that of adapters.dotterel-6.switches",
        ),
        (
            (SWITCH_1, SWITCH_1.replace("input = 1", "input = 0")),
            "digital input 0 is already that of adapters.dotterel-6.switches.",
        ),
        (
            (SWITCH_1, SWITCH_1.replace("pitch-left-up", "pitch-up")),
            "is no name of this model's switches; did you mean \"pitch-",
        ),
        (
            ('max-rate = "50 kS/s"', 'max-rate = "900 kS/s"'),
            "daq.max-rate: 900000 S/s is above max-total-rate 800000 S/s; swap",
        ),
        (("arm-output = 20", "arm-output = 96"), "arm-output: there is no digital output 96: the DAQ has 96"),
        (("arm-output = 20", "arm-output = 21"), "digital output 21 is already that of arm-output"),
        (("arm-output = 20", 'arm-output = "20"'), 'arm-output: found "20"; give a whole number without quotes'),
        (
            ('volts = { accuracy = "0.05 % + 10 mV" }', 'volts = { accuracy = "0.05 % + 10 mA" }'),
            "its absolute part is in A; give it in V",
        ),
        (
            ('volts = { accuracy = "0.05 % + 10 mV" }', 'volts = { accuracy = "good" }'),
            'found "good"; give an accuracy such as',
        ),
        (
            (PITCH_MOTOR, PITCH_MOTOR.replace('"trim"', '"trimm"')),
            'loads.pitch.motor.motor: there is no motor "trimm"; did you mean "trim"?',
        ),
        (
            (PITCH_MOTOR, PITCH_MOTOR.replace("motor = {", '"4 ohm" = {')),
            'loads.pitch."4 ohm": is a motor; name its position "motor"',
        ),
        (
            (PITCH_MOTOR, PITCH_MOTOR.replace(", max", ', tolerance = "1 %", max')),
            "loads.pitch.motor.tolerance: stands beside a motor, which has its own; take it out",
        ),
        (
            (PITCH_MOTOR, PITCH_MOTOR.replace('motor = "trim", ', "")),
            "loads.pitch.motor.resistance: is missing; add it, or name a motor of [motors]",
        ),
        (
            (
                "[adapters.dotterel-6.loads.light-1]",
                f"[adapters.dotterel-6.loads.light-1]\n{PITCH_MOTOR.replace('35', '33')}",
            ),
            "loads.light-1.motor.motor: a motor stands at an output that drives none; put it to a trim output: pitch",
        ),
        (
            ('inertia = "2e-6 kg m2"', 'inertia = "2e-6 kg"'),
            'motors.trim.inertia: found "2e-6 kg"; give a moment of inertia such as "2e-6 kg m2"',
        ),
        (
            ('target = "pitch"\npart = "200 %"', 'target = "pitch"'),
            "simulation.defects[5].part: is missing; add it: motor-resistance needs it",
        ),
        (
            ('kind = "motor-seized"\ntarget = "pitch"', 'kind = "motor-seized"\ntarget = "pitsch"'),
            'simulation.defects[6].target: there is no "pitsch"; did you mean "pitch"?',
        ),
        (("run = { digital", "walk = { digital"), "paths.run: is missing; add it: no unit can be powered"),
        (("run = { digital", "walk = { digital"), "paths.walk: is no position of the bus switch"),
        (
            ('resistance = "20 ohm", tolerance = "1 %" }', 'resistance = "20 ohm" }'),
            'paths."20 ohm".tolerance: is missing; add it, such as "1 %"',
        ),
        (
            (
                '"9.0 ohm" = { digital-output = 25, resistance = "9.0 ohm"',
                '"9.0 ohm" = { digital-output = 25, resistance = "90 ohm"',
            ),
            "90 ohm is not what its name says",
        ),
        (
            ("[adapters.dotterel-6.loads.roll]", "[adapters.dotterel-6.loads.rolls]"),
            'is no output of this model; did you mean "roll"?',
        ),
        (
            ('bit-rate = "125 kbit/s"', 'bit-rate = "250 kbit/s"'),
            "found 250000 bit/s, the unit has 125000 bit/s; give both the same",
        ),
        (
            ('current-accuracy = "0.2 % + 60 mA"', 'current-accuracy = "0.2 % + 60 mV"'),
            'found "0.2 % + 60 mV"; give an accuracy such as',
        ),
        (('target = "discrete-2"', 'target = "discreet-2"'), 'there is no "discreet-2"; did you mean "discrete-2"?'),
        (
            ('findings = ["bench-leads.sense"]', 'findings = ["bench-leeds.sense"]'),
            'simulation.defects[1].findings: "bench-leeds.sense": no finding begins with "bench-leeds"; did you mean',
        ),
        (('current = "0.1 A"\n', ""), "simulation.defects[0].current: is missing; add it: supply-limit needs it"),
        (
            ('kind = "sense-open"', 'kind = "sense-open"\npart = "3 %"'),
            "simulation.defects[1].part: sense-open has none; take it out",
        ),
        (
            ('kind = "sense-open"', 'kind = "sense-closed"'),
            "simulation.defects[1].kind: found \"sense-closed\"; give 'supply-limit'",
        ),
        (
            ('least-resistance = "50 milliohm"', 'least-resistance = "6 kohm"'),
            "electronic-load.least-resistance: 6000 ohm is not below most-resistance; swap the two",
        ),
        (("reverse-bit = 4", "reverse-bit = 3"), "electronic-load.reverse-bit: bit 3 is already protection-bit"),
        (
            ("reverse-output = 15", "reverse-output = 33"),
            "digital output 33 is already that of adapters.dotterel-6.elec",
        ),
        (('max-power = "150 W"', 'max-power = "150 V"'), 'found "150 V"; give a power such as "150 W"'),
        (('slew = "1 A/us"', 'slew = "10 A"'), 'found "10 A"; give a rate of current such as "10 A/ms"'),
        (('mode-header = "FUNC"', 'mode-header = "FUNC?"'), "electronic-load.mode-header: found"),
        (
            ('pitch = { digital-output = 33, plus = "P1-9"', 'pitch = { digital-output = 33, plus = "P1-10"'),
            'electronic-load.pitch.plus: found "P1-10"; the unit sheet has it at "P1-9"',
        ),
        (
            ("roll = { digital-output = 34", "rool = { digital-output = 34"),
            "electronic-load.rool: is nothing that an electronic load goes to: a trim axis, a hold-up output, or plug",
        ),
        (
            ('hold-up = { digital-output = 91, plus = "P1-4"', 'hold-up = { digital-output = 91, plus = "P1-5"'),
            'electronic-load.hold-up.plus: found "P1-5"; the unit sheet has it at "P1-4"',
        ),
        (
            ('max-current = "20 mA" }', 'max-current = "20 mA", to = "dip source" }'),
            '"1 kohm".to: found "dip source"; give "ground": it feeds a hold-up output only',
        ),
        (
            ('max-current = "20 mA" }', 'max-current = "20 mA", brake-output = 80 }'),
            '"1 kohm".brake-output: stands at a resistor; take it out: only a motor is held',
        ),
        (
            ("brake-output = 72", "brake-output = 71"),
            "digital output 71 is already that of adapters.dotterel-6.loads.pi",
        ),
        (('target = "pitch"\n', 'target = "flap"\n'), 'there is no "flap"'),
        (
            ('target = "supply"\npart = "1 %"', 'target = "suply"\npart = "1 %"'),
            'there is no "suply"; did you mean "supply"?',
        ),
        (('target = "0.5 ohm"', 'target = "5 ohm"'), '.target: there is no "5 ohm"; did you mean "0.5 ohm"?'),
        (('target = "dip source"\nvoltage', "voltage"), ".target: is missing; add it: source-off needs it"),
        (('time = "4 ms"', 'part = "4 %"'), ".time: is missing; add it: switch-late needs it"),
        (("simulated = true", "simulated = false"), "simulation: stands in the sheet of a real bench"),
    ],
    ids=lambda value: value[-50:] if isinstance(value, str) else "",
)
def test_each_fault_is_named_with_its_key_and_mend(tmp_path, edit, said):
    problems = refused(tmp_path, edit)
    assert any(said in line for line in problems), problems


def without_load(text):
    """Return a bench sheet without its electronic load, its wires and its defects."""
    text = re.sub(r"\[electronic-load\].*?\n\n", "", text, count=1, flags=re.DOTALL)
    text = re.sub(r"\[adapters\.[^\n]*\.electronic-load\].*?\n\n", "", text, flags=re.DOTALL)
    return text[: text.index('\n[[simulation.defects]]\nid = "load-dead"')]


def test_a_bench_may_do_without_an_electronic_load(tmp_path):
    path = tmp_path / "bench.toml"
    shipped = files("bench") / "benches" / "simulated.toml"
    path.write_text(without_load(shipped.read_text(encoding="utf-8")), encoding="utf-8")
    bench = load_bench(str(path), dotterel())
    assert (bench.electronic_load, bench.facts.electronic_load, bench.load_outputs) == (None, None, {})


def test_what_resistors_can_step_waits_for_no_proof_of_a_load_that_is_not_there(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(without_load((files("bench") / "benches" / "simulated.toml").read_text(encoding="utf-8")))
    sheets = load_sheets(SheetNames(bench=str(path), model="dotterel-6"))
    steps = {step.procedure: step for step in plan_check(sheets).steps}
    assert steps["bench-load"].ability is Ability.CANT
    assert steps["hold-up-load-step"].ability is not Ability.CANT
    assert steps["hold-up-overload"].ability is Ability.CANT  # it draws by the load


def test_wires_to_an_electronic_load_that_is_not_there_are_told(tmp_path):
    shipped = (files("bench") / "benches" / "simulated.toml").read_text(encoding="utf-8")
    load = shipped[shipped.index("[electronic-load]") : shipped.index("[bus]")]
    problems = refused(tmp_path, (load, ""))
    assert any("electronic-load: is missing; add it: adapters.dotterel-6.electronic-load" in line for line in problems)
    assert sum("the bench has no electronic load; take it out" in line for line in problems) == 5


def test_all_faults_come_at_once(tmp_path):
    problems = refused(
        tmp_path,
        ('max-voltage = "36 V"', 'max-voltage = "36 A"'),
        (INPUT_8, INPUT_8.replace("8", "7")),
        ('P3-16 = "no flap position source on this bench"\n', ""),
    )
    assert [line.split(": ")[0] for line in problems] == [
        "supply.max-voltage",
        'adapters.dotterel-6.signals."discrete-2.voltage".input',
        "adapters.dotterel-6",
    ]


def test_a_bench_without_adapter_for_the_model_says_which_it_has(tmp_path):
    path = changed(tmp_path, "bench")
    text = (tmp_path / "bench.toml").read_text(encoding="utf-8").replace("adapters.dotterel-6", "adapters.dotterel-7")
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    there = "this bench has adapters for: dotterel-7, sanderling-2"
    assert problems_of(load_bench, path, dotterel()) == [
        f"adapters.dotterel-6: is missing; add [adapters.dotterel-6]; {there}"
    ]


def test_a_real_bench_has_nothing_to_be_drawn_from(tmp_path):
    path = changed(tmp_path, "bench", ("simulated = true", "simulated = false"))
    text = (tmp_path / "bench.toml").read_text(encoding="utf-8").partition("# What the simulated bench is drawn")[0]
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    assert not load_bench(path, dotterel()).simulated
    assert problems_of(load_bench_simulation, path, dotterel()) == [
        "simulation: is missing: this is a real bench; name a simulated one"
    ]
