"""Everything that decides what a run may become, in one table; and what may be held against a test point, in one enum.

This file knows nothing of the engine, the store or the bench. `python -m benchd.running.states` draws the table.
"""

from __future__ import annotations

from enum import StrEnum

from benchd.errors import RunRefused


class RunState(StrEnum):
    """Where a run stands."""

    QUEUED = "queued"
    WAITING = "waiting"  # for a person: a mount, a clear, a decision to go on
    RUNNING = "running"
    HELD = "held"  # heat off, sampling goes on
    COMPLETE = "complete"
    ABORTED = "aborted"
    TRIPPED = "tripped"
    FAILED = "failed"
    INTERRUPTED = "interrupted"  # found without a living engine


class RunEvent(StrEnum):
    """What can happen to a run."""

    START = "start"  # an engine takes it
    WAIT = "wait"  # it is put aside: for a person, or for its quiet window
    HOLD = "hold"
    RESUME = "resume"
    FINISH = "finish"
    ABORT = "abort"
    TRIP = "trip"
    FAIL = "fail"
    LOSE = "lose"  # its engine is found dead, or ends with its daemon
    REPAIR = "repair"  # what is not good is to be measured once more


S, E = RunState, RunEvent

#: (state, event) -> the next state. A pair that is not here is in REFUSED; a test sees that every pair is decided.
NEXT: dict[tuple[RunState, RunEvent], RunState] = {
    (S.QUEUED, E.START): S.RUNNING,
    (S.QUEUED, E.WAIT): S.WAITING,
    (S.QUEUED, E.ABORT): S.ABORTED,
    (S.WAITING, E.START): S.RUNNING,
    (S.WAITING, E.RESUME): S.RUNNING,
    (S.WAITING, E.ABORT): S.ABORTED,
    (S.RUNNING, E.WAIT): S.WAITING,
    (S.RUNNING, E.HOLD): S.HELD,
    (S.RUNNING, E.FINISH): S.COMPLETE,
    (S.RUNNING, E.ABORT): S.ABORTED,
    (S.RUNNING, E.TRIP): S.TRIPPED,
    (S.RUNNING, E.FAIL): S.FAILED,
    (S.RUNNING, E.LOSE): S.INTERRUPTED,
    (S.HELD, E.RESUME): S.RUNNING,
    (S.HELD, E.ABORT): S.ABORTED,
    (S.HELD, E.TRIP): S.TRIPPED,
    (S.HELD, E.FAIL): S.FAILED,
    (S.HELD, E.LOSE): S.INTERRUPTED,
    (S.TRIPPED, E.RESUME): S.RUNNING,
    (S.TRIPPED, E.ABORT): S.ABORTED,
    (S.FAILED, E.RESUME): S.RUNNING,
    (S.FAILED, E.ABORT): S.ABORTED,
    (S.INTERRUPTED, E.RESUME): S.RUNNING,
    (S.INTERRUPTED, E.WAIT): S.WAITING,
    (S.INTERRUPTED, E.ABORT): S.ABORTED,
    (S.COMPLETE, E.REPAIR): S.QUEUED,
    (S.ABORTED, E.REPAIR): S.QUEUED,
}

_OVER = "the run has ended and its results stand"
_IDLE = "no engine works on the run"
_BEGUN = "the run has already begun"
_NOT_BEGUN = "the run has not begun"
_NOT_OVER = "the run has not ended"

#: (state, event) -> why not.
REFUSED: dict[tuple[RunState, RunEvent], str] = {
    **{(state, event): _OVER for state in (S.COMPLETE, S.ABORTED) for event in E if event is not E.REPAIR},
    **{(state, E.REPAIR): _NOT_OVER for state in S if state not in (S.COMPLETE, S.ABORTED)},
    **{(S.QUEUED, event): _NOT_BEGUN for event in (E.HOLD, E.RESUME, E.FINISH, E.TRIP, E.FAIL, E.LOSE)},
    **{(S.WAITING, event): _IDLE for event in (E.HOLD, E.FINISH, E.TRIP, E.FAIL, E.LOSE)},
    (S.WAITING, E.WAIT): "the run already waits",
    (S.RUNNING, E.START): _BEGUN,
    (S.RUNNING, E.RESUME): "the run is not held",
    **{(S.HELD, event): _BEGUN for event in (E.START, E.WAIT)},
    (S.HELD, E.HOLD): "the run is already held",
    (S.HELD, E.FINISH): "a held run has to be resumed before it can finish",
    **{
        (state, event): _IDLE
        for state in (S.TRIPPED, S.FAILED, S.INTERRUPTED)
        for event in (E.HOLD, E.FINISH, E.TRIP, E.FAIL, E.LOSE)
    },
    **{(state, E.START): f"{_BEGUN}: resume it instead" for state in (S.TRIPPED, S.FAILED, S.INTERRUPTED)},
    (S.TRIPPED, E.WAIT): "a tripped run is already put aside",
    (S.FAILED, E.WAIT): "a failed run is already put aside",
}

#: States in which an engine ought to be alive.
ALIVE = frozenset({S.RUNNING, S.HELD})
#: States of a run that may come to its test points yet.
TO_COME = ALIVE | {S.QUEUED, S.WAITING}


def next_state(state: RunState, event: RunEvent) -> RunState:
    """The state after the event. Raises `RunRefused` with the reason when the table does not allow it."""
    try:
        return NEXT[state, event]
    except KeyError:
        raise RunRefused(f"a run that is {state} cannot {event}: {REFUSED[state, event]}") from None


class Ending(StrEnum):
    """How a step ended."""

    DONE = "done"
    PREDICTED = "predicted"  # the end of the rise was known before it was reached
    SETTLED = "settled"
    FIXED = "fixed"  # after a fixed time
    TIME_UP = "time_up"
    OVER_LIMIT = "over_limit"
    HELD = "held"
    ABORTED = "aborted"
    TRIPPED = "tripped"
    FAILED = "failed"
    LOST = "lost"
    PENDING = "pending"  # nobody answered in time; it can be made up later


#: A stage whose last step ended like this is finished; any other ending leaves it to be repeated as a whole.
FINISHED = frozenset(
    {
        Ending.DONE,
        Ending.PREDICTED,
        Ending.SETTLED,
        Ending.FIXED,
        Ending.TIME_UP,
        Ending.OVER_LIMIT,
        Ending.PENDING,
    }
)


class Quality(StrEnum):
    """What a test point is worth."""

    GOOD = "good"
    FLAGGED = "flagged"
    OVER_LIMIT = "over_limit"
    NOT_REACHED = "not_reached"
    VOID = "void"


class Flag(StrEnum):
    """What may be held against a test point."""

    NOT_SETTLED = "not_settled"  # time was up before equilibrium
    STILL_MOVING = "still_moving"  # its soak is over, but how far it was from its end is not known well enough
    DRIFTING = "drifting"  # the rise had no end: something went on changing
    SENSOR_HANGS = "sensor_hangs"  # a sensor that the rise needs showed the same whatever moved: there is no rise
    SAMPLES_MISSING = "samples_missing"  # more than one in twenty while it was read
    AMBIENT_MOVED = "ambient_moved"
    HEAT_OFF_SET = "heat_off_set"  # measured watts are not what was asked for
    LEVEL_OFF_SET = "level_off_set"  # the noise level is not what was asked for
    LEVEL_MISSING = "level_missing"
    THROTTLED = "throttled"  # the load gave less than it was told while it was read: a false equilibrium
    SKIPPED = "skipped"  # known to be worse than a point over the limit, so not measured


def drawing() -> str:
    """The table as text, one state a paragraph."""
    lines = []
    for state in RunState:
        lines.append(str(state))
        ways = [f"  {event:<8}-> {NEXT[state, event]}" for event in RunEvent if (state, event) in NEXT]
        lines += ways
    return "\n".join(lines)


if __name__ == "__main__":
    print(drawing())
