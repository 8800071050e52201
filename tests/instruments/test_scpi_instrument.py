import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.simulated.scpi_grammar import (
    Block,
    Number,
    Switch,
    definite_block,
    header_pattern,
    message_end,
    parse_number,
    split_units,
)
from instruments.simulated.scpi_instrument import Command, ScpiInstrument
from instruments.simulated.scpi_status import EventRegister, ScpiError, Status, standard_event_bit


class Instrument:
    """An instrument with one setting of each kind, and the few words a test needs."""

    def __init__(self):
        self.level, self.on, self.data, self.resets = 1.0, False, b"", 0
        self.engine = ScpiInstrument(
            identity="maker,model,serial,1.0",
            reset=self._reset,
            refresh=lambda _status: None,
            commands=[
                Command(
                    pattern="[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                    parameters=(Number(unit="V", low=0.0, high=36.0, default=5.0),),
                    action=self._set_level,
                    query=lambda: f"{self.level:.3f}",
                ),
                Command(
                    pattern="OUTPut[:STATe]",
                    parameters=(Switch(),),
                    action=self._set_on,
                    query=lambda: str(int(self.on)),
                ),
                Command(
                    pattern="TRACe:DATA", parameters=(Block(),), action=self._set_data, query=lambda: bytes(self.data)
                ),
                Command(pattern="MEASure:VOLTage", query=lambda: "1.0"),
                Command(pattern="[SOURce]:VOLTage:PROTection[:LEVel]", query=lambda: "39.6"),
                Command(pattern="CALibrate:SLOW", query=lambda: "0", duration_ns=2_000_000_000),
            ],
        )

    def _set_level(self, level):
        self.level = level

    def _set_on(self, on):
        self.on = on

    def _set_data(self, data):
        self.data = data

    def _reset(self):
        self.resets += 1

    def say(self, message):
        """Send a message and return the whole reply, without its new line."""
        self.engine.receive(message.encode("ascii"), now_ns=0, stream=False)
        reply = b"".join(bytes(reply.data) for reply in self.engine.replies)
        self.engine.replies.clear()
        return reply.removesuffix(b"\n")

    def errors(self):
        """Return the numbers in the error queue, oldest first, and empty it."""
        numbers = []
        while (number := int(self.say("SYST:ERR?").partition(b",")[0])) != 0:
            numbers.append(number)
        return numbers


@pytest.mark.parametrize(
    ("message", "level"),
    [
        ("VOLT 9.5", 9.5),
        ("voltage 9.5 V", 9.5),
        ("SOUR:VOLT 100 mV", 0.1),
        ("SOURce:VOLTage:LEVel:IMMediate:AMPLitude 2E+1", 20.0),
        (":SOUR:VOLT:AMPL 9500MV", 9.5),
        ("VOLT MIN", 0.0),
        ("VOLT MAXimum", 36.0),
        ("VOLT def", 5.0),
        ("  VOLT\t.5 ", 0.5),
        ("VOLT 0.01KV", 10.0),
    ],
)
def test_headers_take_short_and_long_forms_and_numbers_take_units(message, level):
    instrument = Instrument()
    instrument.say(message)
    assert instrument.level == pytest.approx(level, rel=1e-12)
    assert instrument.errors() == []


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ("FOO:BAR 1", -113),
        ("FOO?", -113),
        ("VOLTA 5", -113),  # either the full or the short form only (SCPI-1999 volume 1, 6.2.1)
        ("VOLT:PROTEC?", -113),
        ("MEAS:VOLT", -113),  # a query only
        ("*IDN", -113),
        ("VOLT", -109),
        ("*ESE", -109),
        ("VOLT 1,2", -108),
        ("*ESE 1,2", -108),
        ("*IDN? 1", -108),
        ("VOLT? 5", -104),
        ('VOLT "a"', -104),
        ("VOLT abc", -104),
        ("TRAC:DATA 5", -104),
        ("*ESE 1 V", -138),
        ("OUTP 1 V", -138),
        ("VOLT 5 A", -131),
        ("VOLT 5 XV", -131),
        ("VOLT 36.1", -222),
        ("VOLT -1", -222),
        ("*ESE 256", -222),
        ("OUTP MAYBE", -224),
        ("$$", -101),
        ("VOLT% 5", -101),
        ("SOUR::VOLT 5", -102),
        ("VOLT:", -102),
        ("*", -102),
        ("ABCDEFGHIJKLM 5", -112),
        ('VOLT "abc', -151),
        ("TRAC:DATA #15abcdeX", -161),
    ],
)
def test_what_cannot_be_taken_is_one_error_and_changes_nothing(message, error):
    instrument = Instrument()
    assert instrument.say(message) == b""
    assert instrument.errors() == [error]
    assert (instrument.level, instrument.on, instrument.data) == (1.0, False, b"")


@pytest.mark.parametrize(("text", "on"), [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False)])
def test_a_switch_takes_words_and_numbers(text, on):
    instrument = Instrument()
    instrument.on = not on
    instrument.say(f"OUTP {text}")
    assert instrument.on is on


@pytest.mark.parametrize(
    ("message", "reply"),
    [
        ("*IDN?;*OPC?;SYST:VERS?", b"maker,model,serial,1.0;1;1999.0"),
        ("SYST:ERR?;VERS?", b'0,"No error";1999.0'),  # the header path is kept
        ("SYST:ERR?;*OPC?;VERS?", b'0,"No error";1;1999.0'),  # a common command leaves it alone
        ("SYST:ERR?;:SYST:VERS?", b'0,"No error";1999.0'),  # a colon starts at the root
        ("VOLT 9.49;VOLT?;:SYST:ERR?", b'9.490;0,"No error"'),
        ("SOUR:VOLT 3;VOLT?;VOLT:PROT?", b"3.000;39.6"),
        (":STAT:QUES:ENAB 5;ENAB?;COND?", b"5;0"),
        ("VOLT 2;;VOLT?;", b"2.000"),
        ("VOLT? MAX;:VOLT? MIN;:VOLT? DEF", b"36.0000;0.0000;5.0000"),
        ("", b""),
        (" ; ", b""),
    ],
)
def test_compound_messages_follow_the_header_path(message, reply):
    instrument = Instrument()
    assert instrument.say(message) == reply
    assert instrument.errors() == []


def test_a_path_does_not_outlive_its_unit():
    instrument = Instrument()
    instrument.say("STAT:QUES:ENAB 5;VOLT 3")  # STATus:QUEStionable:VOLTage is no command
    assert instrument.errors() == [-113]
    assert instrument.level == 1.0


def test_a_refused_unit_does_not_stop_the_others():
    instrument = Instrument()
    assert instrument.say("*ESE 1;FOO 2;*SRE 4;*ESE?;*SRE?") == b"1;4"
    assert instrument.errors() == [-113]


def test_the_header_that_is_undefined_is_told():
    instrument = Instrument()
    instrument.say("FOO:BAR?")
    assert instrument.say("SYST:ERR?") == b'-113,"Undefined header;FOO:BAR?"'


# SCPI-1999 volume 2, 21.8: classes of error numbers; IEEE Std 488.2, 11.5.1: the bits they set.
@pytest.mark.parametrize(
    ("numbers", "bit"),
    [
        ((-100, -101, -102, -103, -104, -108, -109, -112, -113, -114, -131, -138, -151, -161, -199), 5),
        ((-200, -211, -213, -221, -222, -224, -230, -240, -241, -299), 4),
        ((-300, -310, -330, -340, -350, -363, -365, -399, 1, 101), 3),
        ((-400, -410, -420, -430, -440, -499), 2),
        ((-500,), 7),
        ((-600,), 6),
        ((-700,), 1),
        ((-800,), 0),
    ],
)
def test_error_classes_set_their_bit_of_the_standard_event_register(numbers, bit):
    assert {standard_event_bit(number) for number in numbers} == {bit}


def test_a_command_error_with_operation_complete_reads_33():
    # IEEE Std 488.2, 11.5.1: bit 5 and bit 0
    instrument = Instrument()
    assert instrument.say("*ESR?") == b"128"  # power on
    instrument.say("FOO;*OPC")
    assert instrument.say("*ESR?") == b"33"
    assert instrument.say("*ESR?") == b"0"


def test_the_queue_holds_17_entries_and_the_newest_gives_way_to_an_overflow():
    # SCPI-1999 volume 2, 21.8.1
    instrument = Instrument()
    for _ in range(30):
        instrument.say("VOLT 99")
    assert instrument.say("SYST:ERR:COUN?") == b"17"
    assert instrument.errors() == [-222] * 16 + [-350]


def test_clear_status_empties_the_queue_and_the_event_registers():
    instrument = Instrument()
    instrument.engine.status.questionable.update(2)
    instrument.say("FOO;*ESE 32;*CLS")
    assert instrument.say("*ESR?;*ESE?;:STAT:QUES?;:STAT:QUES:COND?") == b"0;32;0;2"
    assert instrument.errors() == []


def test_the_status_byte_sums_up():
    instrument = Instrument()
    assert instrument.say("*STB?") == b"0"
    instrument.say("*CLS;*ESE 32;*SRE 32;FOO")
    assert instrument.say("*STB?") == b"100"  # queue 4, event summary 32, master summary 64
    instrument.say("*CLS;:STAT:QUES:ENAB 2")
    instrument.engine.status.questionable.update(2)
    assert instrument.say("*STB?") == b"8"
    instrument.engine.receive(b"*IDN?", now_ns=0, stream=False)
    assert instrument.engine.status_byte() == 8 | 16  # a message is available


def test_common_commands_answer():
    instrument = Instrument()
    assert instrument.say("*OPC?;*TST?;*WAI;*IDN?") == b"1;0;maker,model,serial,1.0"
    instrument.say("*RST")
    assert instrument.resets == 1


def test_an_event_register_latches_rising_bits_until_it_is_read():
    register = EventRegister()
    register.update(0b10)
    register.update(0)
    assert (register.condition, register.take_event(), register.take_event()) == (0, 0b10, 0)
    register.update(0b10)
    assert register.take_event() == 0b10
    register.update(0b10)
    assert register.take_event() == 0  # no new transition


def test_transition_filters_choose_what_latches():
    instrument = Instrument()
    instrument.say("STAT:QUES:PTR 0;NTR 2")
    instrument.engine.status.questionable.update(2)
    assert instrument.say("STAT:QUES?") == b"0"
    instrument.engine.status.questionable.update(0)
    assert instrument.say("STAT:QUES?") == b"2"
    instrument.say("STAT:QUES:ENAB 65535;:STAT:PRES")
    assert instrument.say("STAT:QUES:PTR?;NTR?;ENAB?") == b"32767;0;0"
    assert instrument.say("STAT:OPER:ENAB 65535;ENAB?") == b"32767"  # bit 15 is never used


def test_settings_take_half_a_millisecond_and_queries_one():
    instrument = Instrument()
    instrument.engine.receive(b"VOLT 9.49;VOLT?;:SYST:ERR?\n", now_ns=7, stream=True)
    assert [reply.ready_ns for reply in instrument.engine.replies] == [7 + 2_500_000]
    instrument.engine.receive(b"VOLT?\nCAL:SLOW?\n", now_ns=8, stream=True)
    assert [reply.ready_ns - 7 for reply in instrument.engine.replies] == [2_500_000, 3_500_000, 2_003_500_000]


def test_a_message_may_come_in_pieces_over_a_socket():
    engine = Instrument().engine
    for piece in (b"VO", b"LT 2;VOLT", b"?\nVOLT 3;VOLT?"):
        engine.receive(piece, now_ns=0, stream=True)
    assert [bytes(reply.data) for reply in engine.replies] == [b"2.000\n"]
    engine.receive(b"\n", now_ns=0, stream=True)
    assert [bytes(reply.data) for reply in engine.replies] == [b"2.000\n", b"3.000\n"]


def test_a_new_message_interrupts_an_unread_reply_where_messages_have_an_end():
    # IEEE Std 488.2, 6.3.2.3
    instrument = Instrument()
    instrument.engine.receive(b"VOLT?\n", now_ns=0, stream=False)
    assert instrument.say("*OPC?") == b"1"
    assert instrument.errors() == [-410]


def test_over_a_socket_an_unread_reply_stays_in_front():
    instrument = Instrument()
    for message in (b"VOLT?\n", b"*OPC?\n"):
        instrument.engine.receive(message, now_ns=0, stream=True)
    assert [bytes(reply.data) for reply in instrument.engine.replies] == [b"1.000\n", b"1\n"]
    assert instrument.errors() == [-410]  # asked as a message with an end


def test_a_device_clear_forgets_input_and_output():
    engine = Instrument().engine
    engine.receive(b"CAL:SLOW?\nVOL", now_ns=0, stream=True)
    engine.clear(now_ns=5, stream=False)
    assert not engine.replies
    engine.receive(b"VOLT?\n", now_ns=5, stream=True)
    assert [(reply.ready_ns, bytes(reply.data)) for reply in engine.replies] == [(1_000_005, b"1.000\n")]


def test_an_endless_message_overruns_the_input_buffer():
    instrument = Instrument()
    instrument.engine.receive(b"V" * 70_000, now_ns=0, stream=True)
    assert instrument.errors() == [-363]


@given(st.binary(max_size=200))
def test_any_block_goes_in_and_comes_out_unchanged(payload):
    instrument = Instrument()
    for stream in (True, False):
        instrument.data = b""
        message = b"TRAC:DATA " + definite_block(payload) + b" ;DATA?\n"
        for k in range(0, len(message), 50) if stream else (0,):
            instrument.engine.receive(message[k : k + 50] if stream else message, now_ns=0, stream=stream)
        assert instrument.data == payload
        assert bytes(instrument.engine.replies.pop().data) == definite_block(payload) + b"\n"
    assert instrument.errors() == []


def test_an_indefinite_block_ends_with_its_message():
    instrument = Instrument()
    instrument.engine.receive(b"TRAC:DATA #0ab;c,d", now_ns=0, stream=False)
    assert instrument.data == b"ab;c,d"


def test_an_unfinished_block_waits_for_its_bytes():
    # as an independent parser does: lines after it are swallowed until its length is reached
    instrument = Instrument()
    instrument.engine.receive(b"TRAC:DATA #15ABC\n", now_ns=0, stream=True)
    assert instrument.data == b""
    instrument.engine.receive(b"X\n", now_ns=0, stream=True)
    assert instrument.data == b"ABC\nX"


# IEEE Std 488.2, 8.7.9: `#41024` and 1024 bytes, `#213` and 13 bytes.
@pytest.mark.parametrize(("length", "start"), [(1024, b"#41024"), (13, b"#213"), (0, b"#10")])
def test_blocks_are_written_with_their_length(length, start):
    assert definite_block(bytes(length)) == start + bytes(length)


@given(st.text(alphabet="*:?;,#\"' \n0123456789.+-eEVOLTMAXoutpSYSerab$", max_size=40))
def test_no_message_breaks_the_instrument(text):
    instrument = Instrument()
    for stream in (True, False):
        instrument.engine.receive(text.encode("ascii"), now_ns=0, stream=stream)
        instrument.engine.clear(now_ns=1 << 62, stream=False)
    assert instrument.say("*OPC?") == b"1"


def test_header_patterns_take_full_and_short_forms_only():
    pattern = header_pattern("[SOURce]:VOLTage:PROTection[:LEVel]")
    taken = ("VOLT:PROT", "SOURCE:VOLT:PROTECTION", "SOUR:VOLTAGE:PROT:LEV", "VOLT:PROT:LEVEL")
    for header in (*taken, "VOLT:PROTEC", "VOLT", "SOUR", "LEV", "VOLT:PROT:LEV:LEV", "VOLTPROT", ""):
        assert bool(pattern.fullmatch(header + ":")) == (header in taken)


def test_numbers_with_suffixes_are_read_in_the_unit_of_the_parameter():
    assert parse_number("5 MAV", "V") == 5e6
    assert parse_number("5uV", "V") == pytest.approx(5e-6)
    assert parse_number("1.5 E 2", "V") == 150.0
    with pytest.raises(ScpiError):
        parse_number("5 V", "")


def test_semicolons_in_strings_and_blocks_do_not_part_a_message():
    assert split_units('A "x;y";B #13;;;;C') == ['A "x;y"', "B #13;;;", "C"]


@pytest.mark.parametrize(("text", "end"), [("VOLT?\nX", 5), ("VOLT?", -1), ("D #13\n\n\n\n", 8), ("D #13\n\n", -1)])
def test_a_message_ends_at_a_new_line_outside_blocks(text, end):
    assert message_end(text) == end


def test_what_was_sent_is_shown_in_the_queue_as_plain_text():
    status = Status()
    status.report(-101, 'a\n"\xb5' + "x" * 100)
    entry = status.take_error()
    assert entry.startswith('-101,"Invalid character;a?""?xxx')
    assert entry.isascii()
    assert entry.isprintable()
    assert len(entry) < 100
