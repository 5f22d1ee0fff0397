"""Faults switched from outside: the lines, both ends, the command."""

import json

import pytest

from sim.wires import control
from sim.wires.base import WIRE_FAULTS, Wire
from sim.wires.control import Control, answer
from sim.wires.kinds import FOLDER_FAULTS
from sim.wires.serving import served
from sim.wires.station import ByHand, Station
from sim.wires.table import load_table

TABLE = 'specimen = "brook 2x140"'


@pytest.fixture
def station():
    return Station("brook 2x140", clock=ByHand(), real_s=ByHand())


@pytest.fixture
def wires():
    return {"meter": Wire("meter"), "supply": Wire("supply")}


@pytest.mark.parametrize("kind", WIRE_FAULTS)
def test_every_fault_of_a_wire_can_be_switched_on_and_off(station, wires, kind):
    assert answer(f"fault supply {kind}", station, wires) == "ok"
    assert (wires["supply"].fault, wires["meter"].fault) == (kind, None)
    assert answer("mend supply", station, wires) == "ok"
    assert wires["supply"].fault is None


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("", "'' is none of: fault, mend, plant fault, plant mend, status"),
        ("sing", "none of"),
        ("fault meter", "none of"),
        ("fault tooth cut", "there is no instrument tooth; there are: meter, supply"),
        ("fault meter rust", "no wire has the fault rust; there are: no_answer"),
        ("plant fault gremlins", "nothing of the plant can fail as gremlins; there are: pump_stalls"),
        ("plant fault tube_kinks 7", "size of tube_kinks must be 0 to 1"),
        ("plant fault leak 1 2", "one size and one sensor at most"),
        ("plant fault sensor_stuck", "source goes with a fault of a sensor"),
        ("plant fault sensor_stuck molar", "no sensor shows 'molar'"),
        ("plant mend gremlins", "gremlins"),
    ],
)
def test_what_cannot_be_done_is_said_and_changes_nothing(station, wires, line, says):
    said = answer(line, station, wires)
    assert said.startswith("error: ")
    assert says in said
    assert station.wrong == []
    assert [wire.fault for wire in wires.values()] == [None, None]


@pytest.mark.parametrize("kind", sorted({*WIRE_FAULTS} - {*FOLDER_FAULTS}))
def test_a_fault_that_a_folder_cannot_have_is_refused(station, wires, kind):
    wires["supply"].can_have = FOLDER_FAULTS
    said = answer(f"fault supply {kind}", station, wires)
    assert said == f"error: the wire of supply cannot have the fault {kind}; it can: {', '.join(FOLDER_FAULTS)}"
    assert wires["supply"].fault is None
    assert answer("fault supply unplugged", station, wires) == "ok"


def test_the_served_folder_knows_what_it_can_have(tmp_path):
    table = TABLE + '\n[instruments.board]\nwire = "sysfs"\nreads.die = { source = "die", place = "box/temp1" }'
    with served(load_table(table), tmp_path) as bench, Control(bench.places.ports["control"]) as outside:
        with pytest.raises(ValueError, match="the wire of board cannot have the fault cut"):
            outside.fault("board", "cut")
        outside.fault("board", "unplugged")
        assert outside.status()["wires"] == {"board": "unplugged"}


def test_a_wrong_kind_leaves_the_fault_that_stands(station, wires):
    wires["meter"].fault = "cut"
    assert answer("fault meter rust", station, wires).startswith("error")
    assert wires["meter"].fault == "cut"


def test_faults_of_the_plant_have_a_size_and_a_sensor(station, wires):
    assert answer("plant fault sensor_nonsense die", station, wires) == "ok"
    assert answer("plant fault ambient_jumps -3.5", station, wires) == "ok"
    assert station.wrong == ["ambient_jumps", "sensor_nonsense die"]
    assert answer("plant mend sensor_nonsense die", station, wires) == "ok"
    assert station.wrong == ["ambient_jumps"]


def test_status_says_what_nobody_reads(station, wires):
    station.tell("heat", 120.0)
    station.begin_fault("fans_stall")
    wires["meter"].fault = "deaf"
    said = json.loads(answer("status", station, wires))
    assert said == {
        "t_s": 0.0,
        "specimen": "brook 2x140",
        "heat_w": 0.0,
        "set_w": 120.0,
        "supply": "on",
        "fan_pct": 100.0,
        "pump_pct": 100.0,
        "wires": {"meter": "deaf", "supply": None},
        "plant": ["fans_stall"],
    }


def test_over_the_wire_each_line_has_its_answer(tmp_path):
    with served(load_table(TABLE), tmp_path) as bench, Control(bench.places.ports["control"]) as outside:
        assert outside.ask("plant fault pump_stalls") == "ok"
        assert outside.status()["plant"] == ["pump_stalls"]
        with pytest.raises(ValueError, match="there is no instrument meter"):
            outside.fault("meter", "cut")
        assert outside.status()["plant"] == ["pump_stalls"]


def test_an_endless_line_is_hung_up_on_and_others_are_served(tmp_path):
    with (
        served(load_table(TABLE), tmp_path) as bench,
        Control(bench.places.ports["control"]) as first,
        Control(bench.places.ports["control"]) as second,
    ):
        with pytest.raises(OSError, match=r"ended|reset"):
            first.ask("w" * 5000)
        assert second.status()["specimen"] == "brook 2x140"


def test_the_command_finds_the_bench_by_its_folder(tmp_path, capsys):
    with served(load_table(TABLE), tmp_path) as bench:
        where = f"--folder={tmp_path}"
        assert control.main([where, "plant", "fault", "leak", "5"]) == 0
        assert capsys.readouterr().out == "ok\n"
        assert control.main([where, "status"]) == 0
        assert json.loads(capsys.readouterr().out)["plant"] == ["leak"]
        assert control.main([where, "fault", "meter", "cut"]) == 1
        assert capsys.readouterr().err == "control: there is no instrument meter; there are: none\n"
        assert bench.station.wrong == ["leak"]
    assert control.main([where, "status"]) == 1
    assert "is `python -m sim.wires` running" in capsys.readouterr().err
