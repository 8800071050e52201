"""The rig over the real drivers and the simulated plant: what it drives, what it logs, how it gets safe."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from analysis.capture import Event
from analysis.verdict import Cause
from bench.airspeed_source import airspeed_source
from bench.assembly import OpenBench, open_simulated_bench
from bench.bus_traffic import BusTraffic
from bench.errors import AbortError, UnsafeError
from bench.records.capture_header import CaptureHeader
from bench.rig import BenchRig
from bench.run_sheets import SheetNames, load_sheets
from bench.simulation import simulated_parameters
from instruments.errors import InstrumentTimeoutError, LateScheduleError, RatingExceededError
from test_plans.rig import Drawn, PromptAction, SupplyPath

SHEETS = load_sheets(SheetNames(bench="simulated", plan="acceptance", model="dotterel-6"))


@dataclass
class Kept:
    """One capture as it arrived."""

    header: CaptureHeader
    blocks: list[tuple[int, np.ndarray, np.ndarray]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    closed: bool = False

    def append(self, first_sample, codes, words):
        self.blocks.append((first_sample, codes.copy(), words.copy()))

    def event(self, event):
        self.events.append(event)

    def close(self):
        self.closed = True

    @property
    def n_samples(self):
        return sum(len(codes) for _, codes, _ in self.blocks)

    def volts(self, name):
        index = [channel.name for channel in self.header.channels].index(name)
        codes = np.concatenate([codes[:, index] for _, codes, _ in self.blocks])
        return codes * self.header.channels[index].scale


@dataclass
class Keeper:
    captures: list[Kept] = field(default_factory=list)
    prompts: list[tuple[str, str, str]] = field(default_factory=list)

    def open_capture(self, header):
        self.captures.append(Kept(header))
        return self.captures[-1]

    def prompt(self, action, text):
        self.prompts.append((action, text, ""))

    def answer(self, action, text, answer):
        assert self.prompts[-1] == (action, text, "")  # asked before answered
        self.prompts[-1] = (action, text, answer)


@dataclass
class Stand:
    rig: BenchRig
    bench: OpenBench
    kept: Keeper
    waits: list[float]
    said: list[str]


@pytest.fixture
def stand() -> Iterator[Stand]:
    assert SHEETS.unit_simulation is not None
    assert SHEETS.bench_simulation is not None
    bench, twin = simulated_parameters(
        SHEETS.unit, SHEETS.unit_simulation, SHEETS.aircraft, SHEETS.bench, SHEETS.bench_simulation, seed=1
    )
    with open_simulated_bench(SHEETS.bench, bench=bench, twin=twin, seed=1) as opened:
        kept = Keeper()
        waits: list[float] = []
        said: list[str] = []
        assert opened.bus is not None
        rig = BenchRig(
            sheet=SHEETS.bench,
            unit=SHEETS.unit,
            supply=opened.supply,
            load=opened.load,
            dip_source=opened.dip_source,
            daq=opened.daq,
            bus=BusTraffic(opened.bus, SHEETS.unit.bus),
            airspeed=airspeed_source(
                SHEETS.unit.airspeed, sheet=SHEETS.bench, daq=opened.daq, bus=opened.bus, text_line=None
            ),
            clock=opened.clock,
            operator=opened.operator,
            recorder=kept,
            on_wait=lambda: waits.append(0.0),
            say=said.append,
        )
        rig.begin_procedure("trial", 1)
        yield Stand(rig, opened, kept, waits, said)


def energise(stand: Stand) -> None:
    rig = stand.rig
    rig.ask(PromptAction.PLUG_UNIT, "plug")
    rig.idle_inputs()
    rig.set_supply(13.8, 3.0)
    rig.connect(SupplyPath.RUN)
    rig.set_output(True)
    rig.start_airspeed(60.0)
    rig.wait(1.5)
    rig.set_load("pitch", "9.0 ohm")
    rig.arm(True)


def drive_pitch(stand: Stand) -> None:
    stand.rig.press("pitch-left-up")
    stand.rig.wait(0.1)
    assert stand.bench.plant.motor_voltage_v("pitch") > 12.0


def test_a_wait_advances_bench_time_by_exactly_that(stand):
    for duration_s in (0.001, 0.05, 0.123456789, 1.0):
        before_s = stand.rig.now_s
        stand.rig.wait(duration_s)
        assert stand.rig.now_s - before_s == pytest.approx(duration_s, abs=1.5e-9)


def test_the_contactor_stays_in_while_the_rig_waits_and_falls_when_it_hangs(stand):
    energise(stand)
    stand.rig.wait(5.0)
    assert stand.bench.plant.contactor_closed
    stand.bench.clock.sleep_s(1.5)  # time passes, but not in the rig: nobody beats
    assert not stand.bench.plant.contactor_closed


def test_a_capture_holds_the_guards_signals_and_what_was_asked_for(stand):
    energise(stand)
    with stand.rig.capture(
        "look", ("pitch.voltage",), sample_rate_hz=1000.0, lines=("pitch-left-up",), at="x"
    ) as session:
        session.press("pitch-left-up", at_s=0.2)
        session.release("pitch-left-up", at_s=0.4)
        session.wait_until(0.6)
    (kept,) = stand.kept.captures
    assert [channel.name for channel in kept.header.channels] == ["unit.voltage", "unit.current", "pitch.voltage"]
    assert kept.closed
    assert kept.n_samples >= 600
    assert kept.header.settings["set_voltage_v"] == 13.8
    assert kept.header.settings["at"] == "x"
    pressed = np.concatenate([words for _, _, words in kept.blocks]).astype(bool)
    assert np.flatnonzero(pressed)[[0, -1]].tolist() in ([200, 399], [201, 400])
    driven = kept.volts("pitch.voltage") > 6.0
    assert 220 <= int(np.argmax(driven)) <= 228  # debounce and scan
    stimuli = [event for event in kept.events if event.kind == "stimulus"]
    assert [event.fields["value"] for event in stimuli] == [True, False]
    assert any(event.kind == "sent" for event in kept.events)


def test_a_stimulus_at_a_sample_already_taken_is_refused(stand):
    energise(stand)
    with stand.rig.capture("late", (), sample_rate_hz=1000.0) as session:
        session.wait_until(0.3)
        with pytest.raises(LateScheduleError):
            session.press("pitch-left-up", at_s=0.1)


def test_only_one_capture_runs_at_a_time(stand):
    with (
        stand.rig.capture("one", (), sample_rate_hz=1000.0),
        pytest.raises(ValueError, match="one is still running"),
        stand.rig.capture("two", (), sample_rate_hz=1000.0),
    ):
        pass
    assert [kept.closed for kept in stand.kept.captures] == [True]


def test_a_ramp_arrives_in_time_and_value(stand):
    energise(stand)
    stand.rig.arm(False)
    before_s = stand.rig.now_s
    stand.rig.ramp_supply(11.8, rate_v_per_s=2.0)
    assert stand.rig.now_s - before_s == pytest.approx(1.0, abs=0.01)
    stand.rig.wait(0.2)
    assert stand.bench.plant.unit_voltage_v() == pytest.approx(11.8, abs=0.03)


def test_a_load_that_the_bench_does_not_have_is_named(stand):
    with pytest.raises(KeyError, match=r"pitch has no load '3 ohm'"):
        stand.rig.set_load("pitch", "3 ohm")


def draw_of_pitch(stand):
    energise(stand)
    stand.rig.set_load("pitch", "open")
    stand.rig.connect_load("pitch")
    drive_pitch(stand)
    stand.rig.draw(Drawn.CURRENT, 1.2)
    stand.rig.wait(0.05)


def test_the_electronic_load_draws_of_the_output_it_hangs_on_and_says_so(stand):
    with stand.rig.capture("drawn", ("pitch.current",), sample_rate_hz=1000.0):
        draw_of_pitch(stand)
        reading = stand.rig.read_load()
        stand.rig.stop_drawing()
        stand.rig.wait(0.05)
    assert stand.kept.captures[0].volts("pitch.current").max() == pytest.approx(1.2, abs=0.03)
    assert (reading.current_a, reading.drawing, reading.reversed) == (pytest.approx(1.2, abs=0.03), True, False)
    assert reading.power_w == pytest.approx(reading.voltage_v * reading.current_a, abs=0.01)
    assert stand.bench.plant.motor_current_a("pitch") == pytest.approx(0.0, abs=1e-3)
    notes = [event.fields for event in stand.kept.captures[0].events if event.kind == "note"]
    assert {"drawn_from": "pitch", "reversed": False} in notes
    assert {"drawn": "current", "drawn_level": 1.2} in notes
    assert {"drawn": "nothing"} in notes


def test_its_relays_and_the_arm_relay_switch_without_current(stand):
    draw_of_pitch(stand)
    stand.rig.connect_load("roll")
    assert not stand.bench.plant.load.input_on
    stand.rig.draw(Drawn.CURRENT, 1.0)
    stand.rig.arm(False)
    assert not stand.bench.plant.load.input_on


def test_making_safe_switches_the_electronic_load_off_first(stand):
    draw_of_pitch(stand)
    stand.rig.make_safe()
    assert not stand.bench.plant.load.input_on
    assert not stand.bench.plant.output_on


def test_a_load_whose_input_is_not_known_to_be_off_is_named_and_the_rest_is_made_safe(stand, monkeypatch):
    draw_of_pitch(stand)

    def lost():
        raise InstrumentTimeoutError("electronic load: no answer")

    monkeypatch.setattr(stand.bench.load, "make_safe", lost)
    with pytest.raises(UnsafeError) as unsafe:
        stand.rig.make_safe()
    assert [problem.split(":")[0] for problem in unsafe.value.problems] == ["electronic load off"]
    assert not stand.bench.plant.output_on


def test_what_the_electronic_load_may_not_do_never_reaches_it(stand):
    with pytest.raises(KeyError, match="connected to nothing"):
        stand.rig.draw(Drawn.CURRENT, 1.0)
    with pytest.raises(KeyError, match="does not reach flap; it reaches plug, pitch, roll"):
        stand.rig.connect_load("flap")
    stand.rig.connect_load("pitch")
    for drawn, level in ((Drawn.CURRENT, 10.0), (Drawn.POWER, 151.0), (Drawn.RESISTANCE, 1.0)):
        with pytest.raises(RatingExceededError, match=r"it is rated 150 W\. Nothing was set|150 W of the bench sheet"):
            stand.rig.draw(drawn, level)
    assert not stand.bench.plant.load.input_on


def test_a_bench_without_an_electronic_load_refuses_to_draw_and_gets_safe(stand):
    rig = BenchRig(
        sheet=replace(SHEETS.bench, electronic_load=None, load_outputs={}),
        unit=SHEETS.unit,
        supply=stand.bench.supply,
        daq=stand.bench.daq,
        bus=None,
        clock=stand.bench.clock,
        operator=stand.bench.operator,
        recorder=stand.kept,
        on_wait=lambda: None,
        say=stand.said.append,
    )
    for ask in (rig.read_load, rig.stop_drawing, lambda: rig.connect_load("pitch")):
        with pytest.raises(KeyError, match="the bench has no electronic load"):
            ask()
    rig.disconnect_load()
    rig.make_safe()


@pytest.mark.parametrize(("voltage_v", "current_a"), [(16.5, 1.0), (50.0, 1.0), (13.8, 100.0)])
def test_more_than_unit_or_supply_stand_never_reaches_the_supply(stand, voltage_v, current_a):
    with pytest.raises(RatingExceededError):
        stand.rig.set_supply(voltage_v, current_a)
    assert stand.bench.plant.supply.voltage_setting_v == 0.0


def test_an_abort_is_not_hidden_by_a_capture_that_cannot_be_ended(stand, monkeypatch):
    def silent(*_args):
        raise InstrumentTimeoutError("no reply")

    def break_off() -> None:
        with stand.rig.capture("broken", (), sample_rate_hz=1000.0):
            monkeypatch.setattr(stand.bench.daq, "stop", silent)
            raise AbortError("uncommanded motion", Cause.UNIT)

    with pytest.raises(AbortError, match="uncommanded motion") as caught:
        break_off()
    assert "could not be ended" in caught.value.__notes__[0]


def test_prompts_are_done_in_the_plant_and_recorded(stand):
    stand.rig.ask(PromptAction.PLUG_UNIT, "Plug the unit in.")
    assert stand.bench.plant.plugged
    stand.rig.ask(PromptAction.UNPLUG_UNIT, "Take it off.")
    assert not stand.bench.plant.plugged
    assert [action for action, _, _ in stand.kept.prompts] == ["plug unit", "unplug unit"]
    assert stand.said == ["Plug the unit in. -- plugged (simulated)", "Take it off. -- unplugged (simulated)"]


def assert_safe(stand: Stand) -> None:
    plant = stand.bench.plant
    assert not plant.output_on
    assert not plant.contactor_closed
    assert not plant.arm_closed
    assert plant.unit_voltage_v() < 1.0


def test_making_safe_ends_motion_and_discharges_the_unit(stand):
    energise(stand)
    drive_pitch(stand)
    stand.rig.make_safe()
    assert_safe(stand)
    assert stand.bench.daq.read_digital_outputs() == 0


def test_making_safe_serves_inside_a_capture_and_twice(stand):
    energise(stand)
    with stand.rig.capture("during", (), sample_rate_hz=1000.0):
        stand.rig.make_safe()
    stand.rig.make_safe()
    assert_safe(stand)


@pytest.mark.parametrize("error", [InstrumentTimeoutError("no reply"), KeyError("a slip of ours")])
@pytest.mark.parametrize(
    "broken",
    [
        ("supply", "make_safe", "supply off"),
        ("daq", "release_watchdog", "contactor open"),
        ("daq", "make_safe", "loads and stimuli off"),
        ("daq", "start", "bus below 1 V"),
    ],
)
def test_one_instrument_that_fails_keeps_no_other_from_being_made_safe(stand, monkeypatch, broken, error):
    driver, method, unknown = broken
    energise(stand)
    drive_pitch(stand)

    def failing(*_args, **_kwargs):
        raise error

    monkeypatch.setattr(getattr(stand.bench, driver), method, failing)
    with pytest.raises(UnsafeError, match=f"{unknown}: unknown"):
        stand.rig.make_safe()
    plant = stand.bench.plant
    assert plant.motor_voltage_v("pitch") == pytest.approx(0.0, abs=0.01)
    assert not (plant.output_on and plant.contactor_closed)


def seen_between(stand, *, cut_s=0.0):
    """Wait with no capture running, the supply cut for a moment; return what the next capture is told."""
    energise(stand)
    stand.rig.wait(1.0)
    if cut_s:
        stand.bench.plant.set_watchdog(False)
        stand.bench.plant.at(
            stand.bench.plant.now_ns + round(cut_s * 1e9), lambda: stand.bench.plant.set_watchdog(True)
        )
    stand.rig.wait(1.0)
    with stand.rig.capture("next", (), sample_rate_hz=1000.0) as session:
        session.wait_until(0.1)
    (event,) = [event for event in stand.kept.captures[-1].events if event.kind == "between"]
    return event.fields


def test_a_bus_that_stood_while_no_capture_ran_is_told_with_the_next_one(stand):
    fields = seen_between(stand)
    assert fields["duration_s"] == pytest.approx(3.5, abs=0.1)
    assert "fell_to_v" not in fields


def test_a_bus_cut_while_no_capture_ran_is_told_with_the_next_one(stand):
    fields = seen_between(stand, cut_s=0.2)
    assert fields["fell_to_v"] < 6.0
    assert fields["set_v"] == 13.8
