import pytest
from fake_plant_supply import FakeSupply

from instruments.simulated.supply_face import supply_instrument


class Face:
    def __init__(self):
        self.supply = FakeSupply()
        self.instrument = supply_instrument(
            self.supply, max_voltage_v=36.0, max_current_a=60.0, limiting_bit=1, overvoltage_bit=9
        )

    def say(self, message):
        self.instrument.receive(message.encode("ascii"), now_ns=0, stream=False)
        return self.instrument.replies.pop().data.decode("ascii").rstrip("\n") if self.instrument.replies else ""


def test_settings_reach_the_output_stage_in_steps_of_the_resolution():
    face = Face()
    face.say("VOLT 9.4904;:CURR 1.23456;:VOLT:PROT 17.0006;:OUTP ON")
    supply = face.supply
    assert supply.voltage_setting_v == pytest.approx(9.490, abs=1e-9)
    assert supply.current_setting_a == pytest.approx(1.235, abs=1e-9)
    assert supply.overvoltage_setting_v == pytest.approx(17.001, abs=1e-9)
    assert supply.output_on
    assert face.say("VOLT?;CURR?;VOLT:PROT?;:OUTP?") == "9.4900;1.2350;17.0010;1"


@pytest.mark.parametrize(
    ("message", "error"),
    [("VOLT 36.01", -222), ("CURR 60.1", -222), ("VOLT:PROT 39.7", -222), ("VOLT 5 A", -131), ("OUTP MAYBE", -224)],
)
def test_more_than_the_supply_can_do_is_refused_by_itself(message, error):
    face = Face()
    face.say(message)
    assert face.say("SYST:ERR?").startswith(f"{error},")
    assert face.supply.voltage_setting_v == 0.0


def test_its_meter_shows_what_the_output_stage_reads():
    face = Face()
    face.say("VOLT 12;:CURR 5;:OUTP ON")
    assert face.say("MEAS:VOLT?;CURR?") == "12.0000;1.2000"
    assert face.say("MEASURE:SCALAR:VOLTAGE:DC?") == "12.0000"


def test_limiting_stands_in_the_condition_and_latches_as_an_event():
    face = Face()
    face.say("VOLT 12;:CURR 0.5;:OUTP ON")
    assert face.say("STAT:QUES:COND?;EVEN?;EVEN?") == "2;2;0"
    face.say("CURR 5")
    assert face.say("STAT:QUES:COND?;EVEN?") == "0;0"


def test_limiting_between_two_messages_latches_once():
    face = Face()
    face.say("OUTP ON")
    face.supply.note_limiting()
    assert face.say("STAT:QUES:COND?;EVEN?;EVEN?") == "0;2;0"


def test_overvoltage_trips_and_holds_the_output_off_until_it_is_cleared():
    face = Face()
    face.say("VOLT:PROT 10;:VOLT 12;:OUTP ON")
    assert face.say("OUTP?;OUTP:PROT:TRIP?;:STAT:QUES:COND?") == "0;1;512"
    face.say("OUTP ON")
    assert face.say("SYST:ERR?").startswith('-221,"Settings conflict')
    face.say("VOLT 5;:OUTP:PROT:CLE;:OUTP ON")
    assert face.say("OUTP?;:STAT:QUES:COND?;:SYST:ERR?") == '1;0;0,"No error"'


def test_reset_is_off_at_zero_volts_with_protection_out_of_the_way():
    face = Face()
    face.say("VOLT:PROT 10;:VOLT 12;:OUTP ON;*RST")
    supply = face.supply
    assert (supply.output_on, supply.voltage_setting_v, supply.overvoltage_tripped) == (False, 0.0, False)
    assert face.say("CURR?;VOLT:PROT?") == "60.0000;39.6000"
