"""What each request does and answers, on the real server."""

from __future__ import annotations

import json
import os
import pwd
import socket
import threading
import time
from datetime import UTC, datetime

import pytest

from benchd.errors import BenchdError, FileProblems, InputError, NotFound
from benchd.service import api as api_module

ME = f"{pwd.getpwuid(os.getuid()).pw_name} ({os.getuid()})"
REST = 'protocol = "rest"\n[[steps]]\nkind = "dwell"\nfor_min = 1\n'
ORDER = {"protocol": {"text": REST, "file": "rest.toml"}, "specimen": "brook 2x140"}


def _raw(api, method: str, path: str, body: bytes, more: str = "") -> tuple[int, dict]:
    """Status and JSON of a request made by hand."""
    head = f"{method} {path} HTTP/1.1\r\nHost: benchd\r\nConnection: close\r\n{more}"
    if "ransfer-" not in more:
        head += f"Content-Length: {len(body)}\r\n"
    said = api.raw(head.encode() + b"\r\n" + body)
    top, _, text = said.partition(b"\r\n\r\n")
    return int(top.split()[1]), json.loads(text)


def test_status_is_the_latest_picture(api):
    for n in (1, 2):
        api.board.publish({"n": n})
    assert api.ask("GET", "/status") == {"n": 2}


def test_an_order_reaches_the_desk_read_and_checked(api):
    answer = api.ask("POST", "/queue", {**ORDER, "at": "22:00", "quiet": "22:00-06:00", "mount": 2, "seed": 5})
    assert answer == {"run": 7, "mount": 2, "says": ["queue: done", "it starts at 22:00"]}
    ((what, order, who),) = api.desk.asked
    assert (what, who) == ("queue", ME)
    assert order.protocol.protocol.protocol == "rest"
    assert (order.specimen, order.mount, order.quiet, order.seed) == ("brook 2x140", 2, "22:00-06:00", 5)
    # It is 21:00 in the zone of this bench, an hour before UTC.
    assert order.due_utc == datetime(2026, 11, 25, 21, 0, tzinfo=UTC)


def test_a_shipped_protocol_goes_by_name(api):
    api.ask("POST", "/queue", {"protocol": {"name": "overnight"}, "specimen": "brook 2x140"})
    assert api.desk.asked[0][1].protocol.protocol.protocol == "overnight"
    with pytest.raises(NotFound, match="no protocol named"):
        api.ask("POST", "/queue", {"protocol": {"name": "overday"}, "specimen": "brook 2x140"})


def test_mistakes_of_a_protocol_are_named_with_their_places(api):
    wrong = {"text": REST.replace("dwell", "doze"), "file": "my.toml"}
    with pytest.raises(InputError, match=r"my\.toml:\d+:\d+: "):
        api.ask("POST", "/queue", {**ORDER, "protocol": wrong})
    assert api.desk.asked == []


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"protocol": {}}, "either the name or the text"),
        ({"protocol": {"name": "overnight", "text": REST}}, "either the name or the text"),
        ({"protocol": {"name": "../../etc/passwd"}}, "protocol.name"),
        ({"at": "25:00"}, "25:00"),
        ({"at": "2020-01-01 22:00"}, "past"),
        ({"quiet": "22:00"}, "22:00"),
        ({"mount": 0}, "mount"),
        ({"mount": "2"}, "mount"),
        ({"mount": 2**70}, "mount"),
        ({"seed": 2**63}, "seed"),
        ({"seed": -1}, "seed"),
        ({"cooling": "water"}, "cooling"),
        ({"specimen": ""}, "specimen"),
        ({"specimen": "x" * 61}, "specimen"),
        ({"specimen": "two\nlines"}, "specimen"),
        ({"specimen": "\x1b[31mred"}, "specimen"),
        ({"specimen": "half \ud800"}, "specimen"),
        ({"speicmen": "brook 2x140"}, "speicmen"),
        ({"protocol": {"text": "a = " + "[" * 90_000}}, "nested too deeply"),
        ({"protocol": {"text": "half \ud800"}}, "protocol.text"),
        ({"protocol": {"text": "\x00"}}, ""),
        ({"protocol": {"text": REST + "#" * 100_000}}, "at most 100000"),
        ({"protocol": {"text": REST, "file": "a\nb"}}, "protocol.file"),
    ],
)
def test_what_is_wrong_with_an_order_is_told_and_never_reaches_the_desk(api, change, told):
    with pytest.raises(InputError) as refused:
        api.ask("POST", "/queue", {**ORDER, **change})
    assert told in refused.value.message
    assert not isinstance(refused.value, FileProblems)
    assert api.desk.asked == []


@pytest.mark.parametrize(
    ("path", "body", "asked"),
    [
        ("/queue/repair", {"run": 12}, ("repair", 12, ME)),
        ("/hold", None, ("hold", ME)),
        ("/hold", {}, ("hold", ME)),
        ("/resume", {}, ("resume", None, ME)),
        ("/resume", {"run": 12}, ("resume", 12, ME)),
        ("/abort", {"run": None}, ("abort", None, ME)),
        ("/confirm", {}, ("confirm", "", None, ME)),
        ("/confirm", {"text": "94.0 dB", "run": 3}, ("confirm", "94.0 dB", 3, ME)),
        ("/clear", None, ("clear", ME)),
        ("/specimens", {"name": "fir", "cooling": "air"}, ("add_specimen", "fir", "air", "", ME)),
        ("/mounts", {"specimen": "fir", "note": "new paste"}, ("add_mount", "fir", "new paste", ME)),
    ],
)
def test_every_act_reaches_the_desk_with_who_asked(api, path, body, asked):
    assert api.ask("POST", path, body)
    assert api.desk.asked == [asked]


def test_the_books(api):
    assert api.ask("GET", "/specimens") == [
        {"name": "brook 2x140", "cooling": "liquid", "note": "a loop with two fans"}
    ]
    first, second = api.ask("GET", "/mounts?specimen=brook%202x140")
    assert (first["state"], second["state"]) == ("taken off", "on the bench")
    assert second["mounted_local"] == "2026-11-25T21:00:00+01:00"
    assert api.ask("GET", "/mounts") == [first, second]
    with pytest.raises(NotFound):
        api.ask("GET", "/mounts?specimen=fir")
    assert api.ask("GET", "/runs") == []
    with pytest.raises(InputError, match="limit"):
        api.ask("GET", "/runs?limit=0")


def test_when_nobody_serves_the_inbox_it_is_told_and_not_done(api):
    api.at_desk.clear()
    status, answer = _raw(api, "POST", "/hold", b"{}")
    assert status == 503
    assert "did not come to it" in answer["message"]
    # Whoever only looks need not wait.
    api.board.publish({"n": 1})
    assert api.ask("GET", "/status") == {"n": 1}
    api.at_desk.set()
    api.ask("POST", "/clear")
    assert api.desk.asked == [("clear", ME)]


def test_many_who_ask_at_once_are_all_answered(api):
    answers = []
    asks = [threading.Thread(target=lambda: answers.append(api.ask("POST", "/hold"))) for _ in range(60)]
    for one in asks:
        one.start()
    for one in asks:
        one.join()
    assert len(answers) == len(api.desk.asked) == 60


def test_a_fault_is_told_in_the_same_shape(api, caplog):
    api.desk.refusal = ZeroDivisionError("secret")
    with pytest.raises(BenchdError, match="a fault in benchd itself: ZeroDivisionError") as told:
        api.ask("POST", "/hold")
    assert "secret" not in told.value.message
    due_s = time.monotonic() + 5  # it is logged after it is answered
    while not any(record.exc_info for record in caplog.records):
        assert time.monotonic() < due_s
        time.sleep(0.01)


@pytest.mark.parametrize("chunked", [False, True])
def test_a_body_that_is_too_long_is_refused(api, chunked):
    body = b'{"run": ' + b" " * 1_100_000 + b"3}"
    if chunked:
        body = b"%x\r\n%s\r\n0\r\n\r\n" % (len(body), body)
    status, answer = _raw(api, "POST", "/resume", body, "Transfer-Encoding: chunked\r\n" if chunked else "")
    assert status == 413
    assert set(answer) == {"message", "hint"}
    assert api.desk.asked == []


def test_the_client_hears_that_its_body_is_too_long(api):
    with pytest.raises(InputError, match="more than 1000000 bytes"):
        api.ask("POST", "/confirm", {"text": "x" * 3_000_000})


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"\xff\xfe",
        b'{"run": 1e400}',
        b'{"run": NaN}',
        b"9" * 5000,
        b"[" * 200_000,
        b'{"run": ' + b"9" * 5000 + b"}",
    ],
)
def test_a_body_that_is_no_order_is_refused_in_our_shape(api, body):
    status, answer = _raw(api, "POST", "/queue/repair", body)
    assert status == 422
    assert set(answer) == {"message", "hint"}
    assert answer["message"]


def test_unknown_ways_are_refused_in_our_shape(api):
    assert _raw(api, "GET", "/nowhere", b"")[0] == 404
    assert _raw(api, "GET", "/docs", b"")[0] == 404
    assert _raw(api, "GET", "/status/", b"")[0] == 404
    status, answer = _raw(api, "PUT", "/status", b"")
    assert (status, set(answer)) == (405, {"message", "hint"})
    assert b"\r\nallow: GET\r\n" in api.raw(b"PUT /status HTTP/1.1\r\nHost: b\r\nConnection: close\r\n\r\n")


def test_a_quiet_live_view_says_that_it_is_still_there(api, monkeypatch):
    monkeypatch.setattr(api_module, "KEEP_ALIVE_S", 0.3)
    with socket.socket(socket.AF_UNIX) as reader:
        reader.settimeout(10)
        reader.connect(str(api.path))
        reader.sendall(b"GET /live?every_s=60 HTTP/1.1\r\nHost: b\r\n\r\n")
        seen = b""
        while seen.count(b": still here\n\n") < 2:
            seen += reader.recv(1000)
    assert b"text/event-stream" in seen


def test_nothing_it_shows_comes_from_elsewhere(api):
    assert "http" not in json.dumps(api.ask("GET", "/openapi.json"))


def test_every_way_describes_what_it_answers_and_how_it_refuses(api):
    described = api.ask("GET", "/openapi.json")
    for path, ways in described["paths"].items():
        for method, way in ways.items():
            answers = way["responses"]
            assert {"404", "409", "413", "422", "500", "503"} < set(answers), (method, path)
            for status, answer in answers.items():
                if status[0] in "45":
                    schema = answer["content"]["application/json"]["schema"]
                    assert schema == {"$ref": "#/components/schemas/ErrorAnswer"}, (method, path, status)
            assert way["summary"]
            assert way["description"]
