"""What a person sees while a run lasts."""

import io

from bench.progress import TextProgress
from bench.sampling import Readings

READINGS = Readings(time_s=1.0, unit_voltage_v=13.81, unit_current_a=0.154)


def test_plain_lines_say_stage_procedure_times_volts_and_amps():
    stream = io.StringIO()
    progress = TextProgress(stream, live=False)
    progress.begin("inputs", "discrete-levels", elapsed_s=15.0, remaining_s=200.0)
    progress.update(20.0, READINGS)
    progress.update(25.0, READINGS)
    progress.end("discrete-levels", "47 pass")
    assert stream.getvalue().splitlines() == [
        "[0:15 gone, 3:20 to go] inputs: discrete-levels",
        "[0:25 gone, 3:10 to go] inputs: discrete-levels  unit 13.81 V 0.15 A",
        "  discrete-levels      47 pass",
    ]


def test_on_a_terminal_one_line_is_rewritten_and_results_stay():
    stream = io.StringIO()
    progress = TextProgress(stream, live=True, width=80)
    progress.begin("inputs", "discrete-levels", elapsed_s=0.0, remaining_s=10.0)
    progress.update(0.6, READINGS)
    progress.update(0.7, READINGS)
    progress.end("discrete-levels", "47 pass")
    text = stream.getvalue()
    assert text.count("13.81 V") == 1
    assert text.endswith("\r  discrete-levels      47 pass\n")
    assert all(len(part) <= 80 for part in text.replace("\n", "\r").split("\r"))


def test_no_reading_yet_prints_none():
    stream = io.StringIO()
    progress = TextProgress(stream, live=False)
    progress.begin("bench", "bench-check", elapsed_s=0.0, remaining_s=60.0)
    progress.update(11.0, Readings())
    assert "V" not in stream.getvalue()


class ClosedPipe(io.StringIO):
    """Nobody reads any more."""

    def write(self, text):  # noqa: ARG002
        raise BrokenPipeError


def test_nobody_reading_any_more_ends_nothing():
    progress = TextProgress(ClosedPipe(), live=False)
    progress.begin("bench", "bench-check", elapsed_s=0.0, remaining_s=60.0)
    progress.end("bench-check", "6 pass")
