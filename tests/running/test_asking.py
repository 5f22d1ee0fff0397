"""A step that asks a person, played by the engine: answered, not answered in time, and asked once more."""

from __future__ import annotations

from benchd.running.engine import Command
from benchd.running.states import RunState

ASKS = """
[[steps]]
kind = "confirm"
ask = "calibrator on the meter?"
at_most_min = 2
fan_pct = 30
{later}
[[steps]]
kind = "dwell"
for_min = 1
"""


def answering(at_s: float, text: str):
    """Says something at a time, whatever is asked."""

    def on_tick(snapshot, engine) -> None:
        if snapshot.t_s == at_s:
            engine.ask(Command.ANSWER, "anna (1000)", text)

    return on_tick


def test_the_run_goes_on_with_the_answer_which_is_kept_with_who_gave_it(night) -> None:
    night.enroll(ASKS.format(later=""))
    assert night.play(on_tick=answering(40, "94.1 dB")) is RunState.COMPLETE
    asked, dwelt = night.steps
    assert (asked.ending, asked.reason, asked.ended_ms) == ("done", "94.1 dB", 40_000)
    assert dwelt.ending == "done"
    assert night.ask("SELECT what, answer, who FROM prompt") == [("calibrator on the meter?", "94.1 dB", "anna (1000)")]


def test_nobody_came_and_the_night_goes_on_for_it_can_be_answered_later(night) -> None:
    night.enroll(ASKS.format(later=""))
    assert night.play() is RunState.COMPLETE
    assert [step.ending for step in night.steps] == ["pending", "done"]
    assert night.ask("SELECT what, answer FROM prompt") == [("calibrator on the meter?", None)]


def test_what_cannot_be_made_up_later_ends_the_run_there_and_is_asked_again_when_it_is_resumed(night) -> None:
    night.enroll(ASKS.format(later="later = false"))
    assert night.play() is RunState.FAILED
    assert night.row.reason == "confirm: not answered within 2 min: calibrator on the meter?"
    resumed_s = night.steps[-1].ended_ms / 1000
    assert night.play(on_tick=answering(resumed_s + 60, "")) is RunState.COMPLETE
    endings = [(stage, attempt, ending) for stage, attempt, _, kind, ending in night.played if kind != "cool_down"]
    assert endings == [("confirm", 1, "failed"), ("confirm", 2, "done"), ("dwell", 1, "done")]
    assert night.ask("SELECT answer FROM prompt ORDER BY id") == [(None,), ("",)]
