"""A run from the queue to its end, on the real daemon: queue, mount, play, hold, resume, abort, trip, clear, repair."""

from __future__ import annotations

import pytest

from benchd.store import queries

DWELL = 'protocol = "rest"\n[[steps]]\nkind = "dwell"\nfor_min = {minutes}\nheat_w = {heat_w}\n'


def dwell(minutes: float = 60, heat_w: float = 0) -> str:
    return DWELL.format(minutes=minutes, heat_w=heat_w)


def test_a_run_waits_for_its_mount_and_then_plays_to_its_end(serve):
    bench = serve()
    order = {"protocol": {"text": dwell(1), "file": "rest.toml"}, "specimen": "brook 2x140"}
    queued = bench.ask("POST", "/queue", order)
    assert (queued["run"], queued["mount"]) == (1, 1)
    waiting = bench.until_status(lambda status: status["asked"])
    (question,) = waiting["asked"]
    assert (question["kind"], question["run"]) == ("mount", 1)
    assert question["what"] == "mount 1 of brook 2x140 is to be on the bench"
    bench.ask("POST", "/confirm", {})
    played = bench.until_status(lambda status: status["run"])
    assert played["run"]["doing"] == "dwelling"
    assert played["state"] == "running"
    ended = bench.until_status(lambda status: status["run"] is None and not status["queue"])
    assert ended["state"] == "idle"
    kinds = [event["kind"] for event in ended["events"]]
    assert [kind for kind in kinds if kind != "safe"] == ["queued", "waiting", "mounted", "start", "complete"]
    with queries.reader(bench.db) as connection:
        run = queries.run(connection, 1)
        assert (run.state, run.simulated) == ("complete", True)
        assert queries.sample_count(connection, 1) > 60


def test_hold_resume_and_abort_say_who_did_it(serve):
    bench = serve()
    bench.queue(dwell())
    bench.until_status(lambda status: status["run"])
    assert "held" in bench.ask("POST", "/hold")["says"]
    held = bench.until_status(lambda status: status["state"] == "held")
    assert held["setpoints"]["heat_w"] == 0
    status, answer = bench.call("POST", "/hold")
    assert status == 409
    assert "already held" in answer["message"]
    bench.ask("POST", "/resume", {})
    bench.until_status(lambda status: status["state"] == "running" and status["run"]["step"] in ("dwell", "cool_down"))
    bench.ask("POST", "/abort", {})
    ended = bench.until_status(lambda status: status["state"] == "idle" and status["run"] is None)
    who = {event["kind"]: event["who"] for event in ended["events"]}
    assert who["hold"] == who["resume"] == who["abort"]
    assert who["abort"].endswith("(0)") or who["abort"].split("(")[-1].rstrip(")").isdigit()


def test_the_next_run_starts_by_itself_when_the_one_before_has_ended(serve):
    bench = serve(speed=600)
    first = bench.queue(dwell(5))
    order = {"protocol": {"text": dwell(5), "file": "r"}, "specimen": "brook 2x140"}
    second = bench.ask("POST", "/queue", order)["run"]
    bench.until_status(lambda status: status["state"] == "idle" and not status["queue"])
    with queries.reader(bench.db) as connection:
        assert [queries.run(connection, run).state for run in (first, second)] == ["complete", "complete"]


@pytest.mark.parametrize(
    ("act", "body"), [("/hold", {}), ("/resume", {}), ("/abort", {}), ("/confirm", {}), ("/clear", {})]
)
def test_what_makes_no_sense_is_refused_in_words(serve, act, body):
    bench = serve()
    status, answer = bench.call("POST", act, body)
    assert status == 409
    assert answer["message"]


def test_the_queue_is_looked_at_as_soon_as_something_is_queued(serve):
    """Not only when the calendar says so, every 20 s."""
    bench = serve(speed=None)
    order = {"protocol": {"text": dwell(1), "file": "rest.toml"}, "specimen": "brook 2x140"}
    bench.ask("POST", "/queue", order)
    bench.until_status(lambda status: status["asked"], within_s=3)
    bench.ask("POST", "/confirm", {})
    bench.until_status(lambda status: status["run"], within_s=3)


def test_a_run_at_normal_speed_loses_no_instrument(serve):
    """Real time has no whole ticks: each comes a little late, and all instruments ask at that same time."""
    bench = serve(speed=None)
    run = bench.queue(dwell())

    def played_ms() -> int:
        with queries.reader(bench.db) as connection:
            return queries.last_t_ms(connection, run) or 0

    bench.until(lambda: played_ms() >= 12_000)
    assert bench.status["state"] == "running"
    with queries.reader(bench.db) as connection:
        kinds = [event.kind for event in queries.events(connection, run)]
    assert "start" in kinds
    assert "instrument_lost" not in kinds
