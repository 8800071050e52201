"""Bad input gets a message that names file, key and mend, and exit code 2; nothing is energised, nothing lost."""

import os
from importlib.resources import files

import pytest
from command_line import boxproof, verify


def shipped(house: str, *parts: str) -> str:
    return files(house).joinpath(*parts).read_text()


def refused(outcome, *words):
    assert outcome.code == 2
    assert outcome.out == ""
    assert "Traceback" not in outcome.err
    for word in words:
        assert word in outcome.err
    return outcome


def test_no_bench_lists_the_benches():
    refused(boxproof("verify", "SIM-0147"), "--bench", "simulated")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--plan", "nonesuch"), "acceptance"),
        (("--model", "nonesuch"), "dotterel-6"),
        (("--only", "nonesuch"), "discrete-levels"),
        (("--defect", "nonesuch"), "threshold-shifted"),
        (("--defect", "threshold-shifted:much"), "severity"),
        (("--defect", "threshold-shifted:nan"), "severity"),
        (("--defect", "pwm-slow:3"), "pwm-1.frequency_hz"),
        (("--bench", "nonesuch"), "simulated"),
        (("--plan", "missing.toml"), "missing.toml"),
    ],
)
def test_an_unknown_name_lists_what_there_is(words, said, tmp_path):
    refused(verify(tmp_path, *words), said)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "serial",
    ["../SIM-1", "SIM 1", "SIM-<b>", "SIM-\x07", "sim-0147", "0147", "NUL", "SIM-", "SIM--", "SIM-" + "1" * 40],
)
def test_a_serial_that_is_none_is_refused(serial, tmp_path):
    refused(boxproof("verify", "--bench", "simulated", "--records", tmp_path, "--", serial), "serial")
    assert list(tmp_path.iterdir()) == []


def test_a_records_folder_that_cannot_be_written_is_said_before_anything_is_energised(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("a file, not a folder")
    refused(verify(blocked / "records"), "records", "--records")


def test_a_records_folder_without_a_name_is_refused(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for words in (("verify", "SIM-1", "--bench", "simulated"), ("rejudge", "a"), ("report", "a")):
        refused(boxproof(*words, "--records", ""), "--records", "no folder")
    assert list(tmp_path.iterdir()) == []


def test_everything_that_is_wrong_with_a_request_is_told_at_once(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("a file, not a folder")
    outcome = verify(
        blocked,
        *("--plan", "nonesuch", "--aircraft", "missing.toml", "--only", "flight", "--only", "fright"),
        *("--defect", "nonesuch", "--defect", "pwm-slow:much", "--ambient-c", "nan", "--seed", "abc"),
        serial="sim/1",
    )
    refused(outcome, "sim/1", '"nonesuch"', "missing.toml", "--only flight", "--only fright", "no defect 'nonesuch'")
    refused(outcome, "pwm-slow:much", "--ambient-c nan", "--seed abc: give a whole number", "is no folder")
    assert len(outcome.err.splitlines()) == 10


def test_an_unknown_model_hides_no_fault_of_the_other_words(tmp_path):
    words = ("--only", "flight", "--only", "dimming", "--defect", "nonesuch", "--defect", "pwm-slow:much")
    outcome = verify(tmp_path, "--model", "dottrel-6", *words, "--defect", "sense-open", "--plan", "nor-this")
    refused(outcome, '"dottrel-6"', "--only flight", "no defect 'nonesuch'", "pwm-slow:much", '"nor-this"')
    assert len(outcome.err.splitlines()) == 5  # and not a word against dimming or sense-open, which there are


def test_a_faulty_sheet_hides_no_word_that_it_does_not_have(tmp_path):
    unit = damaged(tmp_path, "test_plans", ("units", "dotterel-6.toml"), 'nominal-voltage = "13.8 V"', "nominal = 1")
    words = ("--only", "flight", "--only", "dimming", "--defect", "nonesuch", "--defect", "pwm-slow")
    said = refused(verify(tmp_path / "r", "--model", unit, *words), "--only flight", "no defect 'nonesuch'").err
    assert not [line for line in said.splitlines() if "dimming:" in line or "'pwm-slow'" in line]
    unit.write_text("functions = [")
    assert "flight" not in refused(verify(tmp_path / "r", "--model", unit, *words), "does not parse").err
    bench = damaged(tmp_path, "bench", ("benches", "simulated.toml"), 'max-rate = "50 kS/s"', 'max-rate = "x"')
    refused(boxproof("verify", "SIM-1", "--bench", bench, *words), "daq.max-rate", "--only flight", "'nonesuch'")


def test_every_sheet_is_checked_for_its_own_faults_when_the_unit_sheet_has_some(tmp_path):
    damage = {
        "unit": (("test_plans", ("units", "dotterel-6.toml")), 'nominal-voltage = "13.8 V"', 'nominal-voltage = "x"'),
        "aircraft": (("test_plans", ("aircraft", "whimbrel.toml")), "configuration = 1606", 'configuration = "six"'),
        "plan": (("test_plans", ("plans", "acceptance.toml")), '"bench-leads"', '"bench-leeds"'),
        "bench": (("bench", ("benches", "simulated.toml")), 'max-rate = "50 kS/s"', 'max-rate = "900 kS/s"'),
    }
    sheets = {}
    for name, (place, old, new) in damage.items():
        sheets[name] = damaged(tmp_path, *place, old, new).rename(tmp_path / f"{name}.toml")
    outcome = boxproof(
        *("verify", "SIM-1", "--bench", sheets["bench"], "--model", sheets["unit"]),
        *("--aircraft", sheets["aircraft"], "--plan", sheets["plan"], "--records", tmp_path / "records"),
    )
    refused(outcome, "unit.toml: ratings.nominal-voltage", "aircraft.toml: configuration", "plan.toml: steps[3]")
    refused(outcome, "bench.toml: daq.max-rate")
    assert not (tmp_path / "records").exists()


def test_an_option_that_is_given_empty_does_not_mean_the_default(tmp_path):
    refused(verify(tmp_path / "r", "--model", "", "--plan", "", "--aircraft", ""), 'no model ""', 'no plan ""')
    refused(verify(tmp_path / "r", "--plan", "", "--aircraft", ""), 'no plan ""', 'no aircraft ""')


def test_an_option_that_stands_twice_is_refused(tmp_path):
    refused(
        verify(tmp_path, "--squawk", "a", "--plan", "trim", "--squawk", "b", "--plan", "trim"), "--squawk", "--plan"
    )
    refused(verify(tmp_path, "--squawk", "a", "--reproduced", "--not-reproduced"), "--reproduced/--not-reproduced")
    assert list(tmp_path.iterdir()) == []


def test_a_sheet_that_can_not_be_opened_or_might_never_end_is_refused(tmp_path):
    refused(boxproof("check", "--bench", "a" * 300 + ".toml"), "can't be read")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.toml")
        refused(boxproof("check", "--bench", tmp_path / "pipe.toml"), "no regular file")


def test_without_a_bench_the_other_faults_are_told_all_the_same():
    refused(boxproof("verify", "sim-1", "--model", "nonesuch"), "no bench named", "sim-1", "dotterel-6")
    refused(boxproof("verify", "SIM-1", "--bench", "nonesuch", "--plan", "nor-this"), '"nonesuch"', '"nor-this"')
    refused(boxproof("check", "--plan", "nonesuch"), "no bench named", '"nonesuch"')


def test_hostile_text_is_kept_and_escaped(tmp_path):
    words = ("--remark", "<script>alert(1)</script>", "--squawk", 'a"b\x07', "--only", "bench-check")
    outcome = verify(tmp_path, *words)
    assert outcome.code == 4
    (folder,) = tmp_path.iterdir()
    html = (folder / "report.html").read_text()
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def test_a_sheet_with_many_faults_gets_all_of_them_at_once(tmp_path):
    text = shipped("test_plans", "units", "dotterel-6.toml")
    text = text.replace('nominal-voltage = "13.8 V"', 'nominal-voltage = "13.8 A"', 1)
    text = text.replace('high = "0.21 A"', 'high = "0.01 A"', 1)
    text = text.replace("[ratings]", '[ratings]\nnominal-voltge = "1 V"', 1)
    sheet = tmp_path / "broken.toml"
    sheet.write_text(text)
    outcome = refused(verify(tmp_path / "records", "--model", sheet), "broken.toml")
    for key in ("ratings.nominal-voltage", "quiescent-current", "nominal-voltge"):
        assert key in outcome.err


@pytest.mark.parametrize("content", [b"model = ", b"\xff\xfe\x00binary", b"[[[["])
def test_toml_that_does_not_parse_names_the_file(content, tmp_path):
    sheet = tmp_path / "plan.toml"
    sheet.write_bytes(content)
    refused(verify(tmp_path / "records", "--plan", sheet), "plan.toml")


def test_a_bench_that_is_not_simulated_is_refused_and_says_why(tmp_path):
    text = shipped("bench", "benches", "simulated.toml")
    real = text.replace("simulated = true", "simulated = false", 1)
    real = real[: real.index("[simulation]")] if "[simulation]" in real else real
    sheet = tmp_path / "real.toml"
    sheet.write_text(real)
    outcome = boxproof("verify", "N-0147", "--bench", sheet, "--records", tmp_path / "records")
    refused(outcome, "supervisor", "self-check")
    refused(boxproof("verify", "N-0147", "--bench", sheet, "--defect", "sense-open"), "--defect")
    refused(boxproof("verify", "SIM-0147", "--bench", sheet), "SIM-")


def test_an_unknown_record_names_the_nearest(tmp_path):
    refused(boxproof("rejudge", "nonesuch", "--records", tmp_path), "nonesuch")
    refused(boxproof("report", "nonesuch", "--records", tmp_path), "nonesuch")


def test_unknown_options_and_commands_are_usage_errors():
    assert boxproof("verify", "SIM-0147", "--colour").code == 2
    assert boxproof("fly").code == 2
    assert boxproof("--version").code == 0
    assert boxproof("--help").code == 0


def damaged(tmp_path, house, parts, old, new):
    text = shipped(house, *parts)
    assert old in text
    sheet = tmp_path / "damaged.toml"
    sheet.write_text(text.replace(old, new, 1))
    return sheet


PLAN = ("test_plans", ("plans", "acceptance.toml"))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('high-voltage = "9.5 V", low-voltage = "4.0 V"', 'high-voltage = "4.0 V", low-voltage = "9.5 V"', "swap"),
        ("points = 21", "points = 1", "2 or more"),
        ('current-limit = "3 A"', 'current-limit = "300 A"', "300 A"),
        ('current-limit = "7 A"', 'current-limit = "3 A"', "1.3 times"),
        ('airspeed = "60 kt"', 'airspeed = "60 V"', "airspeed"),
    ],
)
def test_a_plan_that_asks_for_nonsense_is_refused(old, new, said, tmp_path):
    refused(verify(tmp_path / "records", "--plan", damaged(tmp_path, *PLAN, old, new)), said)
    assert not (tmp_path / "records").exists()


BENCH = ("bench", ("benches", "simulated.toml"))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('max-rate = "50 kS/s"', 'max-rate = "20 kS/s"', "daq.max-rate"),
        ('max-total-rate = "800 kS/s"', 'max-total-rate = "60 kS/s"', "daq.max-total-rate"),
        ('max-current = "60 A"', 'max-current = "8 A"', "supply"),
    ],
)
def test_a_rate_or_current_beyond_the_bench_is_refused(old, new, said, tmp_path):
    sheet = damaged(tmp_path, *BENCH, old, new)
    outcome = boxproof("verify", "SIM-1", "--bench", sheet, "--records", tmp_path / "records")
    refused(outcome, said)
    assert not (tmp_path / "records").exists()


def test_check_refuses_with_verify_what_goes_beyond_a_figure_and_all_of_it_at_once(tmp_path):
    text = (files("bench") / "benches" / "simulated.toml").read_text(encoding="utf-8")
    bench = tmp_path / "slow.toml"
    text = text.replace('max-rate = "50 kS/s"', 'max-rate = "20 kS/s"')
    bench.write_text(text, encoding="utf-8")
    checked = boxproof("check", "--bench", bench)
    assert checked.code == 2
    assert "sheets and plan are valid, but not for this bench." in checked.out
    assert "slow.toml: daq.max-rate: step bench-check: capture stream wants 50000 S/s" in checked.err
    bench.write_text(text.replace('max-current = "60 A"', 'max-current = "15 A"', 1), encoding="utf-8")
    outcome = boxproof("verify", "SIM-1", "--bench", bench, "--records", tmp_path / "records")
    refused(outcome, "daq.max-rate", "supply.max-current", "acceptance.toml: steps[")
