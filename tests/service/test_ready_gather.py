"""What is known before going home is what the database, the status and the disk say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from benchd.bench_file import LoadedBench, load_bench
from benchd.errors import InputError, NotFound
from benchd.named_files import find_bench, find_protocol
from benchd.protocol_file import LoadedProtocol, load_protocol
from benchd.running.states import Ending, RunState
from benchd.running.steps.base import Finding
from benchd.service.orders import Order
from benchd.service.ready import ready_answer
from benchd.service.ready_facts import Asking, Facts, Standing
from benchd.service.ready_gather import gather
from benchd.store.records import NewRun
from benchd.store.writer import Writer

ZONE = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 11, 25, 17, 0, tzinfo=UTC)
LOCAL = NOW.astimezone(ZONE)


def _bench() -> LoadedBench:
    found = find_bench("simulated")
    return load_bench(found.text, found.file)


def _protocol(name: str) -> LoadedProtocol:
    found = find_protocol(name)
    return load_protocol(found.text, found.file)


BENCH, OVERNIGHT = _bench(), _protocol("overnight")


@dataclass(frozen=True)
class Books:
    """The database of the bench, and what is asked of it."""

    path: Path
    writer: Writer

    def stand(self, specimen: str, number: int, utc: datetime = NOW) -> None:
        """A mount stands on the bench from now on."""
        mount = self.writer.plan_mount(self.writer.specimen(specimen, "liquid"), number)
        self.writer.stand(mount, BENCH.bench.bench, utc)

    def queue(self, specimen: str, number: int, quiet: str | None = None, protocol: LoadedProtocol = OVERNIGHT) -> int:
        """Queue a run on a mount, and its number."""
        mount = self.writer.plan_mount(self.writer.specimen(specimen, "liquid"), number)
        return self.writer.new_run(
            NewRun(
                mount_id=mount,
                protocol=protocol.protocol.protocol,
                protocol_text=protocol.text,
                bench=BENCH.bench.bench,
                bench_text=BENCH.text,
                versions={},
                seed=1,
                simulated=True,
                queued_utc=NOW,
                quiet=quiet,
            )
        )

    def heard(self, level_dba: float, hours_ago: float) -> int:
        """A run that began so long ago and measured the background in its first ten minutes."""
        run = self.queue("brook 2x140", 1)
        began = NOW - timedelta(hours=hours_ago)
        self.writer.set_state(run, RunState.RUNNING, began)
        self.writer.add_span(run, 0, began)
        step = self.writer.begin_step(run, "background", 1, 1, "background", "{}", 0)
        self.writer.end_step(step, 600_000, Ending.DONE, "", [Finding("background_dba", level_dba, "dBA", 0.2, 30.0)])
        self.writer.set_state(run, RunState.COMPLETE, began + timedelta(hours=1))
        return run

    def tried(self, number: int, k_per_w: float) -> None:
        """A run on a mount that checked it."""
        run = self.queue("brook 2x140", number)
        step = self.writer.begin_step(run, "mount_check", 1, 1, "mount_check", "{}", 0)
        detail = {"sink": "coolant_c", "pump_pct": 100.0}
        found = Finding("mount_k_per_w", k_per_w, "K/W", 0.004, 30.0, detail)
        self.writer.end_step(step, 300_000, Ending.DONE, "", [found])

    def facts(self, order: Order | int, **status: Any) -> Facts:
        """What is gathered about an order or a run."""
        with self.writer.reading() as connection:
            return gather(
                connection, order, document(**status), NOW, ZONE, bench=BENCH.bench, free_bytes=10_000_000_000
            )


@pytest.fixture
def books(tmp_path: Path) -> Iterator[Books]:
    path = tmp_path / "bench.db"
    with Writer.open(path, durable=False) as writer:
        yield Books(path, writer)


def document(**changes: object) -> dict[str, Any]:
    """A status that says nothing of note."""
    nothing: dict[str, Any] = {
        "database": "bench.db", "speed": 1.0, "run": None, "channels": [], "channels_local": LOCAL.isoformat(),
        "interlocks": [], "latch": None, "silent": [], "asked": [], "queue": [],
    }  # fmt: skip
    return {**nothing, **changes}


def entry(run: int, starts: datetime | None, due: datetime | None = None) -> dict[str, Any]:
    return {
        "run": run, "protocol": "overnight", "specimen": "brook 2x140", "mount": 1, "state": "queued",
        "due_local": due and due.isoformat(), "quiet": None, "why": "", "starts_local": starts and starts.isoformat(),
    }  # fmt: skip


def order(specimen: str = "brook 2x140", **changes: Any) -> Order:
    return Order(protocol=OVERNIGHT, specimen=specimen, **changes)


# Which run is meant


def test_a_queued_run_is_meant_by_its_number_with_all_that_was_said_when_it_was_queued(books: Books) -> None:
    run = books.queue("brook 2x140", 3, "22:00-06:00")
    facts = books.facts(run)
    assert (facts.run, facts.specimen, facts.mount, facts.quiet) == (run, "brook 2x140", 3, "22:00-06:00")
    assert facts.protocol == OVERNIGHT.protocol
    assert facts.now == LOCAL
    assert facts.problems == ()


def test_a_run_that_is_not_there_is_not_found(books: Books) -> None:
    with pytest.raises(NotFound, match="there is no run 7"):
        books.facts(7)


def test_an_order_means_the_run_that_stands_in_the_queue_for_it(books: Books) -> None:
    run = books.queue("brook 2x140", 3, "22:00-06:00")
    assert books.facts(order()).run == run
    assert books.facts(order(mount=3, quiet="22:00-06:00")).run == run
    assert books.facts(order(mount=4)).run is None
    assert books.facts(order(mount=4)).mount == 4
    assert books.facts(order(quiet="23:00-05:00")).run is None
    assert books.facts(order("brook 1x120", cooling="liquid")).run is None


def test_a_run_that_has_ended_is_not_meant(books: Books) -> None:
    run = books.queue("brook 2x140", 3)
    books.writer.set_state(run, RunState.ABORTED, NOW)
    assert books.facts(order()).run is None


def test_an_order_without_a_mount_takes_the_one_that_stands_else_the_next(books: Books) -> None:
    assert books.facts(order()).mount == 1
    books.stand("brook 2x140", 1)
    books.stand("brook 2x140", 2)
    assert books.facts(order()).mount == 2
    books.stand("brook 1x120", 1)
    assert books.facts(order()).mount == 3
    books.writer.plan_mount(books.writer.specimen("brook 2x140", "liquid"), 3)
    assert books.facts(order()).mount == 3


def test_no_number_of_a_mount_is_left_out(books: Books) -> None:
    with pytest.raises(InputError, match="brook 2x140 has no mount 5") as refused:
        books.facts(order(mount=5))
    assert refused.value.hint == "the next mounting is number 1"


def test_what_stands_and_what_was_taken_off(books: Books) -> None:
    books.stand("brook 2x140", 1)
    books.stand("brook 2x140", 2, NOW - timedelta(hours=2))
    facts = books.facts(order(mount=1))
    assert facts.standing == Standing(specimen="brook 2x140", mount=2)
    assert facts.taken_off == LOCAL - timedelta(hours=2)
    assert books.facts(order(mount=2)).taken_off is None


def test_the_cooling_is_that_of_the_books(books: Books) -> None:
    assert books.facts(order()).cooling is None
    books.stand("brook 2x140", 1)
    assert books.facts(order()).cooling == "liquid"


def test_what_the_bench_cannot_play_is_told_with_its_place(books: Books) -> None:
    hot = load_protocol(OVERNIGHT.text.replace("over_limit_c = 90", "over_limit_c = 99"), "hot.toml")
    facts = books.facts(Order(protocol=hot, specimen="brook 2x140"))
    assert len(facts.problems) == 1
    assert 'must be below the interlock "die_c above 95 degC"' in facts.problems[0]
    assert facts.typed == "hot.toml"


def test_a_shipped_protocol_is_typed_by_its_name(books: Books) -> None:
    assert books.facts(order()).typed == "overnight"
    assert books.facts(books.queue("brook 2x140", 1)).typed == "overnight"


# What was measured


def test_the_latest_background_of_the_bench_comes_with_the_time_at_which_it_was_measured(books: Books) -> None:
    books.heard(31.5, 40)
    run = books.heard(29.4, 3)
    found = books.facts(order()).background
    assert found is not None
    assert (found.level_dba, found.u_db, found.run) == (29.4, 0.2, run)
    assert found.measured == LOCAL - timedelta(hours=3) + timedelta(minutes=10)


def test_no_background_was_measured(books: Books) -> None:
    books.queue("brook 2x140", 1)
    assert books.facts(order()).background is None


def test_a_check_of_the_mount_is_held_against_those_of_earlier_mounts(books: Books) -> None:
    books.tried(1, 0.070)
    books.tried(2, 0.072)
    assert books.facts(order(mount=3)).mount_check is None
    books.tried(3, 0.092)
    worse = books.facts(order(mount=3)).mount_check
    assert worse is not None
    assert worse.words.endswith("K/W, 0.02 K/W worse than the last two: seat it again?")
    assert worse.worse
    books.tried(4, 0.0715)
    good = books.facts(order(mount=4)).mount_check
    assert good is not None
    assert not good.worse


# When


def test_a_new_order_starts_when_the_bench_is_free_and_it_is_due(books: Books) -> None:
    idle = books.facts(order())
    assert idle.starts == LOCAL
    assert idle.ends == LOCAL + timedelta(seconds=idle.takes_s)
    due = NOW + timedelta(hours=4)
    assert books.facts(order(due_utc=due)).starts == due
    busy = {"run": 1, "ends_local": (LOCAL + timedelta(hours=2)).isoformat()}
    assert books.facts(order(), run=busy).starts == LOCAL + timedelta(hours=2)
    assert books.facts(order(), run={"run": 1, "ends_local": None}).starts is None


def test_a_queued_run_starts_when_the_status_says_so(books: Books) -> None:
    run = books.queue("brook 2x140", 1)
    starts = LOCAL + timedelta(hours=4)
    assert books.facts(run, queue=[entry(run, starts)]).starts == starts


def test_the_end_of_a_run_that_is_played_is_what_the_status_says(books: Books) -> None:
    run = books.queue("brook 2x140", 1)
    books.writer.set_state(run, RunState.RUNNING, NOW - timedelta(hours=1))
    ends = LOCAL + timedelta(hours=7)
    facts = books.facts(run, run={"run": run, "ends_local": ends.isoformat()})
    assert (facts.starts, facts.ends) == (LOCAL - timedelta(hours=1), ends)


# The whole answer


def test_the_answer_is_computed_from_the_database_file(books: Books) -> None:
    books.stand("brook 2x140", 1)
    run = books.queue("brook 2x140", 1, "22:00-06:00")
    told = ready_answer(run, document(queue=[entry(run, LOCAL)]), books.path, NOW, ZONE, bench=BENCH.bench)
    assert (told["run"], told["mount"]) == (run, 1)
    verdicts = {item["name"]: item["verdict"] for item in told["items"]}
    assert verdicts["mount"] == "yes"
    assert verdicts["queued"] == "yes"
    assert verdicts["background"] == "not proven"


def test_the_quiet_part_is_held_against_the_window_of_the_run(books: Books) -> None:
    assert books.facts(order()).window.fits is None
    short = load_protocol(find_protocol("fan_sweep").text, "fan_sweep.toml")
    facts = books.facts(Order(protocol=short, specimen="brook 2x140", quiet="22:00-06:00"))
    assert facts.window.fits
    assert facts.window.words == "the quiet part takes about 24 min, 22:00 to 22:24; quiet until 06:00"


def test_a_night_of_two_clocks_ends_when_its_hours_are_over(books: Books) -> None:
    autumn = datetime(2026, 10, 24, 20, 0, tzinfo=UTC)
    with books.writer.reading() as connection:
        facts = gather(connection, order(), document(), autumn, ZONE, bench=BENCH.bench, free_bytes=0)
    assert facts.starts is not None
    assert facts.ends is not None
    assert facts.ends.astimezone(UTC) - autumn == timedelta(seconds=facts.takes_s)
    assert (facts.starts.utcoffset(), facts.ends.utcoffset()) == (timedelta(hours=2), timedelta(hours=1))


def test_what_steps_will_ask_comes_with_its_hour(books: Books) -> None:
    text = """
protocol = "asking"
[[steps]]
kind = "dwell"
for_min = 90
[[steps]]
kind = "confirm"
ask = "is the window shut?"
at_most_min = 20
later = false
"""
    asking = Order(protocol=load_protocol(text, "asking.toml"), specimen="brook 2x140")
    coming = Asking(what="is the window shut?", comes=LOCAL + timedelta(minutes=90), waits_min=20, later=False)
    assert books.facts(asking).askings == (coming,)
