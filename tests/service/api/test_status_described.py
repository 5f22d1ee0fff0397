"""What the real daemon shows while it plays, soaks and holds is what /openapi.json says of it, key for key."""

from __future__ import annotations

from benchd.service.api_status import StatusAnswer

PROTOCOL = """protocol = "short"
[[steps]]
kind = "soak"
heat_w = [60]
fan_pct = [60]
pump_pct = 60
equilibrium = { within_k = 0.5, at_most_min = 20 }
"""


def test_what_the_daemon_shows_is_as_described(serve):
    bench = serve(speed=120)
    StatusAnswer.model_validate(bench.status)
    bench.queue(PROTOCOL)
    soaking = bench.until_status(lambda status: status["run"] and status["run"]["soaking"])
    shown = StatusAnswer.model_validate(soaking)
    assert shown.run is not None
    assert shown.run.soaking is not None
    bench.ask("POST", "/hold")
    held = bench.until_status(lambda status: status["state"] == "held")
    assert StatusAnswer.model_validate(held).setpoints is not None
