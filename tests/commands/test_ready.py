"""`benchd ready` against the real list of a real database, without the wire between them."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from benchd.bench_file import load_bench
from benchd.commands.ready import ready_command
from benchd.errors import NotFound
from benchd.named_files import find_bench, find_protocol
from benchd.service.ready import ready_answer
from benchd.store.records import NewRun
from benchd.store.writer import Writer

NOW = datetime(2026, 11, 25, 17, 0, tzinfo=UTC)
FOUND = find_bench("simulated")
BENCH = load_bench(FOUND.text, FOUND.file)
STATUS: dict[str, Any] = {
    "database": "bench.db", "speed": 1.0, "run": None, "channels_local": NOW.isoformat(), "latch": None, "silent": [],
    "asked": [], "queue": [],
    "channels": [
        {"channel": name, "value": 22.0, "unit": "degC", "flag": "ok", "history": []}
        for name in BENCH.bench.channels("liquid")
    ],
    "interlocks": [
        {"limit": lock.words, "channel": lock.channel, "value": 0.0, "margin": lock.above, "unit": "K"}
        for lock in BENCH.bench.interlocks
    ],
}  # fmt: skip


class Terminal(io.StringIO):
    """Input or output of a terminal, as far as anyone asks."""

    def isatty(self) -> bool:
        return True


@dataclass
class Service:
    """What the service does with GET /status, POST /ready and POST /confirm of a mount."""

    path: Path
    writer: Writer
    mounts: dict[int, int] = field(default_factory=dict)
    status: dict[str, Any] = field(default_factory=lambda: {**STATUS, "queue": []})

    def queue(self, protocol: str, number: int) -> int:
        """Queue a run of a shipped protocol on a mount that is planned."""
        mount = self.writer.plan_mount(self.writer.specimen("brook 2x140", "liquid"), number)
        text = find_protocol(protocol).text
        run = self.writer.new_run(
            NewRun(
                mount_id=mount, protocol=protocol, protocol_text=text, bench=BENCH.bench.bench, bench_text=BENCH.text,
                versions={}, seed=1, simulated=True, queued_utc=NOW,
            )
        )  # fmt: skip
        self.mounts[run] = mount
        entry = {"run": run, "protocol": protocol, "specimen": "brook 2x140", "mount": number, "state": "queued"}
        self.status["queue"].append({**entry, "due_local": None, "quiet": None, "why": "", "starts_local": None})
        return run

    def stand(self, run: int) -> None:
        self.writer.stand(self.mounts[run], BENCH.bench.bench, NOW)

    def get(self, path: str) -> dict[str, Any]:
        assert path == "/status"
        return self.status

    def post(self, path: str, body: Mapping[str, Any]) -> dict[str, Any]:
        if path == "/confirm":
            self.stand(body["run"])
            return {}
        assert path == "/ready"
        return ready_answer(body["run"], self.status, self.path, NOW, ZoneInfo("Europe/Berlin"), bench=BENCH.bench)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    path = tmp_path / "bench.db"
    with Writer.open(path, durable=False) as writer:
        yield Service(path, writer)


def test_the_queued_runs_of_the_protocol_are_meant(service, capsys) -> None:
    first, _, third = service.queue("quick", 1), service.queue("break_in", 1), service.queue("quick", 1)
    service.stand(first)
    assert ready_command(service, "quick", None, as_json=True)
    told = json.loads(capsys.readouterr().out)
    assert [one["run"] for one in told] == [first, third]
    assert all(one["may_leave"] for one in told)


def test_the_list_is_printed_and_says_who_may_leave(service, capsys) -> None:
    run = service.queue("quick", 1)
    service.stand(run)
    assert ready_command(service, "quick", None, as_json=False)
    out = capsys.readouterr().out
    assert out.startswith("You may leave: quick on brook 2x140, mount 1, starts 18:00, ends about ")
    assert f"yes         queued           run {run}\n" in out
    assert max(map(len, out.splitlines())) <= 80


def test_what_holds_a_person_is_the_answer_no(service, capsys) -> None:
    run = service.queue("quick", 1)
    assert not ready_command(service, "quick", None, as_json=False)
    out = capsys.readouterr().out
    assert out.startswith("Not yet: 1 thing to do.\n")
    assert f"benchd confirm --run {run}\n" in out


def test_nothing_queued_is_not_found_with_what_to_type(service) -> None:
    with pytest.raises(NotFound, match="no run of quick is in the queue") as refused:
        ready_command(service, "quick", None, as_json=False)
    assert "benchd queue quick --specimen NAME" in refused.value.hint


@pytest.mark.parametrize(("said", "leaves"), [("y\n", True), ("n\n", False), ("\n", False)])
def test_who_sits_at_a_terminal_is_asked_for_the_mount(service, monkeypatch, said, leaves) -> None:
    service.queue("quick", 2)
    monkeypatch.setattr("sys.stdin", Terminal(said))
    monkeypatch.setattr("sys.stdout", Terminal())
    asked = Terminal()
    monkeypatch.setattr("sys.stderr", asked)
    assert ready_command(service, "quick", None, as_json=False) is leaves
    assert asked.getvalue().startswith("Is mount 2 of brook 2x140 on the bench? [y/N]: ")


def test_with_json_nobody_is_asked(service, monkeypatch) -> None:
    service.queue("quick", 2)
    monkeypatch.setattr("sys.stdin", Terminal("y\n"))
    out = Terminal()
    monkeypatch.setattr("sys.stdout", out)
    assert not ready_command(service, "quick", None, as_json=True)
    assert json.loads(out.getvalue())[0]["may_leave"] is False
