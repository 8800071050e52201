import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import UsageError
from bench.records.serial_number import check_serial, clean_text


@pytest.mark.parametrize("serial", ["SIM-0147", "SIM-A", "SIM-" + "A" * 28])
def test_good_serials_of_a_simulated_bench_pass(serial):
    assert check_serial(serial, simulated=True) == serial


@pytest.mark.parametrize("serial", ["0", "A-1", "CON1", "COM10", "SIMON"])
def test_good_serials_of_a_real_bench_pass(serial):
    assert check_serial(serial, simulated=False) == serial


@pytest.mark.parametrize(
    "serial",
    [
        "",
        "-1",
        "sim-1",
        "SIM 1",
        "SIM-1\n",
        "../X",
        "SIM-1/2",
        "SIM-\\",
        "SIM-<B>",
        "SIM-\x00",
        "SIM-É",
        "A" * 33,
        "\N{ARABIC-INDIC DIGIT ONE}",
    ],
)
def test_another_form_is_refused_with_its_mend(serial):
    with pytest.raises(UsageError, match="Write it in capitals"):
        check_serial(serial, simulated=serial.startswith("SIM-"))


@pytest.mark.parametrize("serial", ["CON", "PRN", "AUX", "NUL", "COM0", "COM1", "COM9", "LPT1"])
def test_device_names_are_refused(serial):
    with pytest.raises(UsageError, match=f"device on Windows.*SN-{serial}"):
        check_serial(serial, simulated=False)


def test_a_simulated_bench_wants_its_prefix_and_a_real_one_refuses_it():
    with pytest.raises(UsageError, match="Use SIM-0147 or a real bench"):
        check_serial("0147", simulated=True)
    with pytest.raises(UsageError, match="kept for simulated benches"):
        check_serial("SIM-0147", simulated=False)


@given(st.text())
def test_no_refused_serial_breaks_its_message(serial):
    if serial.startswith("SIM-"):
        return
    with pytest.raises(UsageError) as caught:
        check_serial(serial, simulated=True)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("trim runs on, 13.8 V <b> & é 漢 😀", "trim runs on, 13.8 V <b> & é 漢 😀"),
        ("a\nb\tc\x1b[31md\x7f\x85", "a�b�c�[31md��"),
        ("SIM\u202e7410\u2066", "SIM�7410�"),
        ("\ud800\ufffe\ufdd0\U0001ffff\u2028", "�����"),
    ],
)
def test_text_is_kept_and_what_acts_unseen_is_shown(text, expected):
    assert clean_text(text) == expected


def test_long_text_is_cut_visibly():
    assert clean_text("x" * 2000) == "x" * 2000
    assert clean_text("x" * 2001) == "x" * 1997 + "..."


@given(st.text())
def test_cleaned_text_is_one_line_fit_for_any_file(text):
    cleaned = clean_text(text)
    assert len(cleaned.splitlines()) <= 1
    assert clean_text(cleaned) == cleaned
    cleaned.encode()
