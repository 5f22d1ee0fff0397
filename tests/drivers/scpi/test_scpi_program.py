"""What a program that answers as a SCPI device makes of messages: paths, forms, errors, its queue.

Rules and numbers as named in drivers/scpi/program.py; the messages of the first test are those of the manuals of a BOP
(Kepco), a 665xA (Agilent) and an N3301A (Keysight).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.scpi.program import Commands, ErrorQueue, ProgramUnit, ScpiError, program_units, setting, spelled


@pytest.mark.parametrize(
    ("message", "headers"),
    [
        ("meas:volt?;curr?", ["MEAS:VOLT", "MEAS:CURR"]),
        ("meas:volt?;:curr?", ["MEAS:VOLT", "CURR"]),
        ("STAT:OPER:COND?;ENAB 16", ["STAT:OPER:COND", "STAT:OPER:ENAB"]),
        ("OUTP:PROT:DEL .1;:VOLT 12.5", ["OUTP:PROT:DEL", "VOLT"]),
        ("CURR:LEV 3;PROT:STAT OFF", ["CURR:LEV", "CURR:PROT:STAT"]),
        (
            "OUTPut:PROTection:CLEAr;:STATus:OPERation:CONDition?",
            ["OUTPUT:PROTECTION:CLEAR", "STATUS:OPERATION:CONDITION"],
        ),
        ("MEAS:VOLT?;*OPC?;CURR?", ["MEAS:VOLT", "*OPC", "MEAS:CURR"]),
        (" ; *CLS ;; ", ["*CLS"]),
    ],
)
def test_the_path_goes_on_until_a_colon_leads_back(message, headers):
    assert [unit.header for unit in program_units(message)] == headers


def test_parameters_are_parted_by_commas():
    assert list(program_units("APPL 5, 2 ;:DISP:TEXT 'a,b;c'")) == [
        ProgramUnit("APPL", query=False, parameters=("5", "2")),
        ProgramUnit("DISP:TEXT", query=False, parameters=("'a,b;c'",)),
    ]


@pytest.mark.parametrize(
    ("message", "code"),
    [("POW@ 5", -102), ("MEAS::POW?", -102), ("5", -102), ("MEAS:", -102), ("PO\x01W 5", -101), ("PÖW 5", -101)],
)
def test_malformed_messages(message, code):
    with pytest.raises(ScpiError) as caught:
        list(program_units(message))
    assert caught.value.number == code


@pytest.mark.parametrize(
    ("text", "value"), [("5", 5.0), ("1.5E2 W", 150.0), ("0.1kW", 100.0), ("on", 1.0), ("OFF", 0.0), (".5", 0.5)]
)
def test_settings(text, value):
    assert setting(ProgramUnit("POW", query=False, parameters=(text,)), "W") == value


@pytest.mark.parametrize(
    ("parameters", "code"), [((), -109), (("1", "2"), -108), (("5 V",), -131), (("MUCH",), -104), (("'5'",), -104)]
)
def test_settings_that_are_refused(parameters, code):
    with pytest.raises(ScpiError) as caught:
        setting(ProgramUnit("POW", query=False, parameters=parameters), "W")
    assert caught.value.number == code


def device():
    taken = []

    def power(unit):
        watts = setting(unit, "W")
        if watts > 150:
            raise ScpiError(-222, "150 W is the most")
        taken.append(watts)

    return Commands({"[SOURce:]POWer": power, "[SOURce:]POWer?": lambda _: "65"}, "benchd,agent,0,1"), taken


def test_commands_and_queries_of_one_header_are_two_things():
    agent, taken = device()
    assert agent.answer("SOURCE:POW 65;POW?;*IDN?") == "65;benchd,agent,0,1"
    assert taken == [65]


def test_an_error_in_carrying_out_leaves_the_rest_to_be_done_and_one_in_understanding_does_not():
    agent, taken = device()
    assert agent.answer("POW 200;POW 60;POW?") == "65"
    assert agent.answer("POWR 60;POW?") is None
    assert taken == [60]
    assert [agent.answer("syst:err:next?") for _ in range(3)] == [
        '-222,"Data out of range;150 W is the most"',
        '-113,"Undefined header;POWR"',
        '0,"No error"',
    ]


def test_the_first_errors_are_kept_and_the_last_gives_way():
    queue = ErrorQueue(longest=3)
    for _ in range(9):
        queue.put(-113, 'he said "POWR"')
    assert len(queue) == 3
    assert [queue.next() for _ in range(4)] == [
        """-113,"Undefined header;he said 'POWR'\"""",
        """-113,"Undefined header;he said 'POWR'\"""",
        '-350,"Queue overflow"',
        '0,"No error"',
    ]


def test_clearing_forgets_the_errors():
    agent, _ = device()
    agent.answer("NONSENSE")
    assert agent.answer("*CLS;SYST:ERR?") == '0,"No error"'


@given(st.text())
def test_no_message_breaks_the_device(message):
    agent, _ = device()
    agent.answer(message)
    assert agent.answer("*IDN?") == "benchd,agent,0,1"


def test_headers_have_a_long_and_a_short_form_and_nothing_between():
    form = spelled("MEASure[:SCALar]:POWer[:DC]")
    for header in ("MEAS:POW", "MEASURE:SCAL:POW:DC", "MEAS:POWER:DC", "MEAS:SCALAR:POWER"):
        assert form.fullmatch(header)
    for header in ("MEASU:POW", "MEAS:POWE", "MEAS", "POW", "MEAS:POW:AC", "MEAS:SCAL"):
        assert not form.fullmatch(header)
