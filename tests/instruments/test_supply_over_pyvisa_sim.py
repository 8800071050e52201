"""The driver's messages against a peer that is not ours: framing, time-outs and the draining of the error queue.

pyvisa-sim knows fixed spellings only, and no device clear: its dialogues are the messages the driver really sends.
"""

import pytest
import pyvisa

from instruments.capabilities import Identity
from instruments.clock import WallClock
from instruments.errors import InstrumentTimeoutError, SettingRefusedError
from instruments.supply import SupplyRatings, open_supply

pytest.importorskip("pyvisa_sim")

PEER = r"""
spec: "1.1"
devices:
  supply:
    delimiter: ""
    eom:
      TCPIP INSTR: {q: "\n", r: "\n"}
      TCPIP SOCKET: {q: "\n", r: "\r\n"}
      USB INSTR: {q: "\n", r: "\n"}
    error:
      response: {}
      error_queue:
        - {q: "SYST:ERR?", default: '+0,"No error"', command_error: '-113,"Undefined header"'}
    dialogues:
      - {q: "*ESE 1;*ESE?;*IDN?", r: "1;maker,model,serial,1.0"}
      - {q: "*ESE 2;*ESE?;*IDN?", r: "2;maker,model,serial,1.0"}
      - {q: "*ESE 3;*ESE?;*IDN?", r: "3;maker,model,serial,1.0"}
      - {q: "*ESE 0"}
      - {q: "*IDN?", r: "maker,model,serial,1.0"}
      - {q: "SYST:VERS?;:SYST:ERR?", r: '1999.0;0,"No error"'}
      - {q: "STAT:PRES;*CLS;:STAT:QUES:ENAB 514;:STAT:QUES:ENAB?;:SYST:ERR?", r: '514;0,"No error"'}
      - {q: "VOLT 9.49;:VOLT?;:SYST:ERR?", r: '+9.490E+00;+0,"No error"'}
      - {q: "OUTP ON;:OUTP?;:SYST:ERR?", r: '0;-221,"Settings conflict; protection"'}
      - {q: "OUTP OFF"}
      - {q: "OUTP OFF;:OUTP?", r: "0"}
  part-by-part:
    eom:
      TCPIP INSTR: {q: "\n", r: "\n"}
    error:
      response: {}
    dialogues:
      - {q: "*ESE 1"}
      - {q: "*ESE?", r: "1"}
      - {q: "*IDN?", r: "maker,model,serial,1.0"}
  silent:
    delimiter: ""
    eom:
      TCPIP INSTR: {q: "\n", r: "\n"}
    error:
      response: {}
    dialogues:
      - {q: "NOTHING", r: "0"}
resources:
  TCPIP0::10.0.0.5::inst0::INSTR: {device: supply}
  TCPIP0::10.0.0.5::5025::SOCKET: {device: supply}
  USB0::0x1234::0x5678::SN1::0::INSTR: {device: supply}
  TCPIP0::10.0.0.6::inst0::INSTR: {device: silent}
  TCPIP0::10.0.0.7::inst0::INSTR: {device: part-by-part}
"""
LINKS = ("TCPIP0::10.0.0.5::inst0::INSTR", "TCPIP0::10.0.0.5::5025::SOCKET", "USB0::0x1234::0x5678::SN1::0::INSTR")
RATINGS = SupplyRatings(max_voltage_v=36.0, max_current_a=60.0, limiting_bit=1, overvoltage_bit=9)
TIME_OUT_S = 0.02


@pytest.fixture
def manager(tmp_path):
    file = tmp_path / "peer.yaml"
    file.write_text(PEER, encoding="utf-8")
    manager = pyvisa.ResourceManager(f"{file}@sim")
    yield manager
    manager.close()


def open_driver(manager, link):
    return open_supply(
        link, resource_manager=manager, clock=WallClock(), ratings=RATINGS, name="supply", time_out_s=TIME_OUT_S
    )


@pytest.mark.parametrize("link", LINKS)
def test_the_driver_opens_sets_and_makes_safe(manager, link):
    with open_driver(manager, link) as driver:
        assert driver.identify() == Identity(maker="maker", model="model", serial="serial", firmware="1.0")
        driver.set_voltage(9.49)
        driver.make_safe()


@pytest.mark.parametrize("link", LINKS)
def test_an_entry_beside_the_reply_raises(manager, link):
    with open_driver(manager, link) as driver, pytest.raises(SettingRefusedError, match="-221"):
        driver.set_output(True)


@pytest.mark.parametrize("link", LINKS)
def test_a_peer_that_falls_silent_at_an_unknown_command_is_asked_why_and_stays_in_step(manager, link):
    with open_driver(manager, link) as driver:
        with pytest.raises(SettingRefusedError, match="-113"):
            driver.set_voltage(1.0)
        driver.set_voltage(9.49)


def test_a_peer_that_says_nothing_is_a_time_out(manager):
    with pytest.raises(InstrumentTimeoutError, match="no answer"):
        open_driver(manager, "TCPIP0::10.0.0.6::inst0::INSTR")


def test_a_peer_that_answers_a_compound_message_part_by_part_is_not_taken_for_a_scpi_instrument(manager):
    # IEEE Std 488.2, 6.4.3: the replies to one message come in one message, parted by semicolons
    with pytest.raises(InstrumentTimeoutError, match="ESE"):
        open_driver(manager, "TCPIP0::10.0.0.7::inst0::INSTR")
