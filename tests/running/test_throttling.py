"""A processor that throttles shows a perfectly flat temperature at fewer watts: such a point is void."""

from __future__ import annotations

from benchd.bench_file import load_bench
from benchd.named_files import find_bench
from benchd.protocol_file import load_protocol
from benchd.running.rehearsal import Rehearsal
from benchd.running.states import Flag, Quality, RunState

SOAKS = """
protocol = "two loads"

[[steps]]
kind = "soak"
heat_w = [100, 290]
fan_pct = [40]
pump_pct = 100
order = "listed"
read_min = 1
equilibrium = { within_k = 1, at_most_min = 30 }
cool_down = "to_within_k"
to_within_k = 5
cool_at_most_min = 30
"""


def test_a_point_at_which_the_processor_throttled_is_void_and_says_so(writer) -> None:
    found = find_bench("simulated_processor")
    bench = load_bench(found.text, found.file)
    run = Rehearsal(writer, load_protocol(SOAKS, "two.toml"), bench, {"brook 1x120": "liquid"}, 1).play(
        "brook 1x120", "liquid"
    )
    assert run.state is RunState.COMPLETE
    well, throttled = run.points
    assert Flag.THROTTLED not in well.flags
    assert well.quality is not Quality.VOID
    # It ends like any other, or its time is up: the temperature alone gives nothing away.
    assert throttled.ended_by in ("settled", "time_up")
    assert throttled.heat_w is not None
    assert throttled.heat_w < 275
    assert Flag.THROTTLED in throttled.flags
    assert throttled.quality is Quality.VOID
