"""Protocol files: what is right is read; a mistake is one line: its place, what is wrong, what is allowed."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import protocols
from benchd.errors import FileProblems, InputError
from benchd.protocol_file import Confirm, CoolDown, CoolFor, MountCheck, Protocol, Soak, load_protocol, parse_protocol

HEAD = 'protocol = "p"\n'
SOAK = """[[steps]]
kind = "soak"
heat_w = [120, 180]
fan_pct = [50]
equilibrium = { within_k = 0.2, at_most_min = 60 }
"""
BACKGROUND = '[[steps]]\nkind = "background"\nfor_min = 5\n'


def refusal(text: str) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        parse_protocol(text, "p.toml")
    return str(caught.value).split("\n")


def test_a_protocol_is_read() -> None:
    protocol = parse_protocol(HEAD + BACKGROUND + SOAK, "p.toml")
    assert [protocol.name_of(step) for step in protocol.steps] == ["background", "soak"]
    soak = protocol.steps[1]
    assert isinstance(soak, Soak)
    assert soak.heat_w == (120, 180)
    assert soak.equilibrium.words == "settled to within 0.2 K"


def test_what_is_not_said_of_a_mount_check_and_of_a_question_has_a_default() -> None:
    asked = '[[steps]]\nkind = "mount_check"\n[[steps]]\nkind = "confirm"\nask = "is it on?"\nat_most_min = 5\n'
    check, question = parse_protocol(HEAD + asked, "p.toml").steps
    assert isinstance(check, MountCheck)
    assert (check.heat_w, check.for_min, check.fan_pct, check.pump_pct, check.needs_heat) == (60, 5, 100, 100, True)
    assert isinstance(question, Confirm)
    assert (question.ask, question.at_most_min, question.later) == ("is it on?", 5, True)
    assert (question.fan_pct, question.pump_pct, question.needs_heat) == (100, 100, False)


@pytest.mark.parametrize(
    ("keys", "words", "longest_min"),
    [
        ("at_most_min = 75", "settled to within 0.2 K", 75),
        ('until = "predicted", within_k = 1, at_most_min = 20', "predicted to within 1 K", 20),
        ("for_min = 25", "fixed 25 min", 25),
        ("for_min = 25, at_most_min = 30", "fixed 25 min", 25),
    ],
)
def test_a_soak_is_over_by_one_of_three_rules(keys: str, words: str, longest_min: float) -> None:
    text = SOAK.replace("within_k = 0.2, at_most_min = 60", keys)
    (soak,) = parse_protocol(HEAD + text, "p.toml").steps
    assert isinstance(soak, Soak)
    assert (soak.equilibrium.words, soak.equilibrium.longest_min) == (words, longest_min)


def test_what_is_recorded_of_a_rule_speaks_of_no_other() -> None:
    fixed, settled = (
        parse_protocol(HEAD + SOAK.replace("within_k = 0.2, at_most_min = 60", keys), "p.toml").steps[0]
        for keys in ("for_min = 25", "at_most_min = 60")
    )
    assert fixed.model_dump()["equilibrium"] == {"for_min": 25, "at_most_min": None}
    assert settled.model_dump()["equilibrium"] == {
        "until": "settled",
        "within_k": 0.2,
        "confidence": 0.95,
        "slow_tail_k": 0.3,
        "at_most_min": 60,
    }


@pytest.mark.parametrize(
    ("keys", "cools"),
    [
        ("", None),
        ('cool_down = "none"', None),
        ('cool_down = "fixed"\ncool_for_min = 25', CoolFor(for_min=25)),
        (
            'cool_down = "to_within_k"\nto_within_k = 2\ncool_at_most_min = 30',
            CoolDown(to_within_k=2, at_most_min=30),
        ),
    ],
)
def test_there_are_three_ways_to_cool_down_before_a_point(keys: str, cools: CoolDown | CoolFor | None) -> None:
    (soak,) = parse_protocol(HEAD + SOAK + keys, "p.toml").steps
    assert isinstance(soak, Soak)
    assert soak.cools == cools


def test_the_text_is_kept() -> None:
    text = HEAD + BACKGROUND + "# äöü\n"
    assert load_protocol(text, "p.toml").text == text


KINDS = "background, pump_sweep, fan_sweep, soak, cool_down, dwell, break_in, mount_check, confirm"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        # unknown and missing keys
        (
            HEAD + '[[steps]]\nkind = "background"\nfor_min = 5\nsettle = 3\n',
            "5:1: steps.1 (background).settle: unknown key; allowed here: name, quiet, kind, for_min, settle_s"
            ' (did you mean "settle_s"?)',
        ),
        (
            HEAD + BACKGROUND + "[limits]\nover_limt_c = 90\n",
            '6:1: limits.over_limt_c: unknown key; allowed here: over_limit_c (did you mean "over_limit_c"?)',
        ),
        (HEAD + '[[steps]]\nkind = "background"\n', "2:1: steps.1 (background).for_min: missing; give a number [min]"),
        (
            HEAD + SOAK.replace(", at_most_min = 60", ""),
            "6:15: steps.1 (soak).equilibrium: at_most_min is missing; give a number [min] after which the soak is"
            " given up",
        ),
        (HEAD + SOAK.replace("heat_w = [120, 180]", ""), "2:1: steps.1 (soak).heat_w: missing; give a list in [ ] [W]"),
        (BACKGROUND, '1:1: protocol: missing; give a "text" in quotes'),
        (HEAD, "1:1: steps: missing; give a list in [ ]"),
        # kinds
        (
            HEAD + '[[steps]]\nkind = "soack"\n',
            f'3:8: steps.1 (soack).kind: unknown kind "soack"; allowed here: {KINDS} (did you mean "soak"?)',
        ),
        (HEAD + "[[steps]]\nkind = 7\n", f"3:8: steps.1.kind: unknown kind 7; allowed here: {KINDS}"),
        (
            HEAD + BACKGROUND + "[[steps]]\nfor_min = 3\n",
            '5:1: steps.2.kind: missing; give one of "background", "pump_sweep", "fan_sweep", "soak", "cool_down", '
            '"dwell", "break_in", "mount_check", "confirm"',
        ),
        # wrong types
        (HEAD + SOAK.replace("120", '"120"'), '4:11: steps.1 (soak).heat_w.1: must be a number, got "120"'),
        (HEAD + SOAK.replace("180", "true"), "4:16: steps.1 (soak).heat_w.2: must be a number, got true"),
        (
            HEAD + SOAK.replace("180", "2026-01-31"),
            "4:16: steps.1 (soak).heat_w.2: must be a number, got the date or time 2026-01-31",
        ),
        (HEAD + SOAK.replace("[50]", "50"), "5:11: steps.1 (soak).fan_pct: must be a list in [ ], got 50 [%]"),
        (HEAD + SOAK.replace("[50]", "[]"), "5:11: steps.1 (soak).fan_pct: must not be empty"),
        *(
            (
                HEAD + SOAK.replace("within_k", f"until = {until}, within_k"),
                '6:25: steps.1 (soak).equilibrium.until: must be "predicted" or "settled", got '
                f"{until}; for a fixed time give for_min in its place",
            )
            for until in ('"fixed"', '"soon"', "25")
        ),
        (HEAD + SOAK + "repeat_first = 1", "7:16: steps.1 (soak).repeat_first: must be true or false, got 1"),
        (HEAD + SOAK + "equilibrium.for_min = 1", "7:1: this table or list was closed before and cannot be added to"),
        (
            HEAD + SOAK + "cool_down = 3",
            '7:13: steps.1 (soak).cool_down: must be "none", "to_within_k" or "fixed", got 3',
        ),
        # a way to cool down has the keys that go with it, and no others
        (
            HEAD + SOAK + 'cool_down = "fixed"',
            '7:13: steps.1 (soak).cool_down: "fixed" needs cool_for_min beside it',
        ),
        (
            HEAD + SOAK + 'cool_down = "to_within_k"\nto_within_k = 2',
            '7:13: steps.1 (soak).cool_down: "to_within_k" needs cool_at_most_min beside it',
        ),
        (
            HEAD + SOAK + 'cool_down = "to_within_k"',
            '7:13: steps.1 (soak).cool_down: "to_within_k" needs to_within_k and cool_at_most_min beside it',
        ),
        (
            HEAD + SOAK + "cool_for_min = 25",
            '7:16: steps.1 (soak).cool_for_min: goes with cool_down = "fixed", got cool_down = "none"',
        ),
        (
            HEAD + SOAK + 'cool_down = "fixed"\ncool_for_min = 25\ncool_at_most_min = 30',
            '9:20: steps.1 (soak).cool_at_most_min: goes with cool_down = "to_within_k", got cool_down = "fixed"',
        ),
        (
            HEAD + SOAK + 'cool_down = "fixed"\ncool_for_min = 0',
            "8:16: steps.1 (soak).cool_for_min: must be above 0, got 0 [min]",
        ),
        ("protocol = 3\n" + BACKGROUND, '1:12: protocol: must be a "text" in quotes, got 3'),
        ('protocol = ""\n' + BACKGROUND, "1:12: protocol: must not be empty"),
        (f'protocol = "{"x" * 61}"\n' + BACKGROUND, "1:12: protocol: must have at most 60 characters, got 61"),
        (HEAD + "steps = 3\n", "2:9: steps: must be a list in [ ], got 3"),
        (HEAD + "steps = []\n", "2:9: steps: must not be empty"),
        (HEAD + "steps = [3]\n", "2:10: steps.1: must be a table, got 3"),
        (HEAD + BACKGROUND + 'quiet = "yes"', '5:9: steps.1 (background).quiet: must be true or false, got "yes"'),
        # out of range
        (HEAD + SOAK.replace("120", "-5"), "4:11: steps.1 (soak).heat_w.1: must be above 0, got -5 [W]"),
        (HEAD + SOAK.replace("120", "1e9"), "4:11: steps.1 (soak).heat_w.1: must be at most 2000, got 1000000000 [W]"),
        (HEAD + SOAK.replace("120", "nan"), "4:11: steps.1 (soak).heat_w.1: must be a finite number, got nan [W]"),
        (HEAD + SOAK.replace("120", "-inf"), "4:11: steps.1 (soak).heat_w.1: must be a finite number, got -inf [W]"),
        (
            HEAD + SOAK.replace("120", "0x" + "f" * 500),
            "4:11: steps.1 (soak).heat_w.1: must be a number, got a very large number [W]",
        ),
        (
            HEAD + BACKGROUND + "settle_s = -0.5",
            "5:12: steps.1 (background).settle_s: must be at least 0, got -0.5 [s]",
        ),
        (
            HEAD + "[limits]\nover_limit_c = 900\n" + BACKGROUND,
            "3:16: limits.over_limit_c: must be at most 150, got 900 [degC]",
        ),
        (HEAD + SOAK + 'order = "later"', '7:9: steps.1 (soak).order: must be "random" or "listed", got "later"'),
        # rules of the models
        (
            HEAD + SOAK.replace("180", "120"),
            "4:10: steps.1 (soak).heat_w: must be values that differ from each other, got [120, 120]",
        ),
        (
            HEAD + SOAK.replace("within_k = 0.2", "for_min = 61"),
            "6:45: steps.1 (soak).equilibrium.at_most_min: must be at least for_min = 61, got 60",
        ),
        (
            HEAD + SOAK.replace("within_k = 0.2", 'for_min = 25, until = "predicted"'),
            "6:39: steps.1 (soak).equilibrium.until: does not go with for_min: a fixed soak ends by the clock alone",
        ),
        (
            HEAD + SOAK.replace("at_most_min = 60", "for_min = 25"),
            "6:28: steps.1 (soak).equilibrium.within_k: does not go with for_min: a fixed soak ends by the clock alone",
        ),
        (
            HEAD + SOAK.replace("within_k = 0.2", "confidence = 95"),
            "6:30: steps.1 (soak).equilibrium.confidence: must be at most 0.999, got 95",
        ),
        (
            HEAD + SOAK.replace("within_k = 0.2", "slow_tail_k = -1"),
            "6:31: steps.1 (soak).equilibrium.slow_tail_k: must be at least 0, got -1 [K]",
        ),
        (
            HEAD + SOAK.replace("within_k = 0.2, at_most_min = 60", "for_min = 3"),
            "2:1: steps.1 (soak): read_min must be below equilibrium.for_min = 3, got 3",
        ),
        (
            HEAD + SOAK + "read_min = 60",
            "7:12: steps.1 (soak).read_min: must be below equilibrium.at_most_min = 60, got 60",
        ),
        (
            HEAD + SOAK + "noise_dba = [34]",
            "2:1: steps.1 (soak): give either noise_dba or fan_pct, not both and not neither",
        ),
        (
            HEAD + '[[steps]]\nkind = "fan_sweep"\nfan_pct = [50]\n',
            "4:11: steps.1 (fan_sweep).fan_pct: must be at least two values, got [50]",
        ),
        (
            HEAD + SOAK + 'name = "At Night"',
            '7:8: steps.1 ("At Night").name: must be small letters, digits and _, beginning with a letter,'
            ' got "At Night"',
        ),
        (
            HEAD + '[[steps]]\nkind = "break_in"\ncycles = 2.5\nheat_w = 1\non_min = 1\noff_min = 1\n',
            "4:10: steps.1 (break_in).cycles: must be a whole number, got 2.5",
        ),
        # odd ways of writing
        (
            HEAD + BACKGROUND.replace("for_min", '"for_min"').replace("5", "'5'"),
            '4:13: steps.1 (background).for_min: must be a number, got "5"',
        ),
        (HEAD + 'limits.over_limit_c = "hot"\n' + BACKGROUND, '2:23: limits.over_limit_c: must be a number, got "hot"'),
        (
            HEAD + 'steps = [\n  { kind = "background", for_min = 5 },\n  { kind = "dwell" },\n]',
            "4:3: steps.2 (dwell).for_min: missing; give a number [min]",
        ),
        (
            HEAD + '[[steps]]\nkind = "mount_check"\nfor_min = 1\n',
            "4:11: steps.1 (mount_check).for_min: must be at least 3, got 1 [min]",
        ),
        (
            HEAD + '[[steps]]\nkind = "confirm"\nask = "is it on?"\n',
            "2:1: steps.1 (confirm).at_most_min: missing; give a number [min]",
        ),
        (
            HEAD + '[[steps]]\nkind = "confirm"\nat_most_min = 5\nask = "one\\ntwo"\n',
            "5:7: steps.1 (confirm).ask: must be one line of letters that can be seen, without blanks at its ends",
        ),
        # a key that has the name of the step's kind is not mistaken for the kind
        (
            HEAD + BACKGROUND + "background = 1",
            "5:1: steps.1 (background).background: unknown key; allowed here: name, quiet, kind, for_min, settle_s",
        ),
    ],
)
def test_a_mistake_is_one_plain_line(text: str, line: str) -> None:
    assert refusal(text) == [f"p.toml:{line}"]


def test_a_needed_key_that_is_misspelt_is_missing_and_unknown() -> None:
    assert refusal(HEAD + BACKGROUND.replace("for_min", "fro_min")) == [
        "p.toml:2:1: steps.1 (background).for_min: missing; give a number [min]",
        "p.toml:4:1: steps.1 (background).fro_min: unknown key; allowed here: name, quiet, kind, for_min, settle_s"
        ' (did you mean "for_min"?)',
    ]


def test_a_key_of_two_lines_is_shown_on_one() -> None:
    [line] = refusal(HEAD + BACKGROUND + '"for\\nmin" = 1')
    assert line.startswith('p.toml:5:1: steps.1 (background)."for\\nmin": unknown key; allowed here: name')


def test_all_mistakes_come_at_once_in_the_order_of_the_file() -> None:
    text = 'protocol = 1\nresume = "maybe"\nwhat = 1\n' + SOAK.replace("120", "-1") + BACKGROUND.replace("5", '"5"')
    assert [line.split(": ")[0] for line in refusal(text)] == [
        "p.toml:1:12",
        "p.toml:2:10",
        "p.toml:3:1",
        "p.toml:6:11",
        "p.toml:11:11",
    ]


def test_a_file_full_of_mistakes_is_cut_short_and_does_not_hang() -> None:
    begun = time.monotonic()
    said = refusal(HEAD + "steps = [" + "{}," * 50_000 + "]")
    assert time.monotonic() - begun < 10
    assert len(said) == 51
    assert said[-1].endswith(": and 49950 more mistakes from here on")


def test_a_value_is_shown_shortened() -> None:
    said = refusal(HEAD + BACKGROUND.replace("5", '"' + "x" * 100_000 + '"'))
    assert said == ['p.toml:4:11: steps.1 (background).for_min: must be a number, got "' + "x" * 40 + '..."']


# --- never anything but a plain refusal

SHIPPED = {path.stem: path.read_text() for path in Path(protocols.__file__).parent.glob("*.toml")}
PIECES = st.sampled_from(
    [
        "nan",
        "true",
        '"x"',
        "[]",
        "{}",
        "[[steps]]",
        "kind",
        "=",
        "\n",
        "-1",
        "1e999",
        "2026-01-01",
        "#",
        '"""',
        ",",
        "\0",
        "é",
    ]
)


def accepts(text: str) -> bool:
    try:
        parsed = parse_protocol(text, "p.toml")
    except InputError as error:
        for line in str(error).split("\n"):
            assert line.startswith("p.toml:")
        return False
    return isinstance(parsed, Protocol)


@given(st.text(max_size=200))
def test_any_text_is_read_or_plainly_refused(text: str) -> None:
    accepts(text)
    accepts(HEAD + text)
    accepts(HEAD + SOAK + text)


@settings(max_examples=200)
@given(st.sampled_from(sorted(SHIPPED)), st.data())
def test_a_shipped_protocol_with_a_change_is_read_or_plainly_refused(name: str, data: st.DataObject) -> None:
    text = SHIPPED[name]
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        end = min(len(text), start + data.draw(st.integers(0, 30)))
        text = text[:start] + data.draw(PIECES | st.text(max_size=5)) + text[end:]
    accepts(text)


VALUES = st.recursive(
    st.sampled_from(
        ["1", "-1", "nan", "inf", "true", '""', '"soak"', "2026-01-01", "07:32:00", "0x" + "f" * 400, "1e308"]
    ),
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]")
        | st.lists(
            st.tuples(st.sampled_from(["kind", "name", "heat_w", "soak"]), inner), max_size=2, unique_by=lambda p: p[0]
        ).map(lambda pairs: "{" + ", ".join(f"{key} = {value}" for key, value in pairs) + "}")
    ),
    max_leaves=5,
)


@settings(max_examples=200)
@given(st.sampled_from(sorted(SHIPPED)), st.integers(0), VALUES)
def test_any_value_at_any_key_is_read_or_plainly_refused(name: str, which: int, value: str) -> None:
    lines = SHIPPED[name].split("\n")
    settable = [index for index, line in enumerate(lines) if " = " in line and not line.startswith("#")]
    chosen = settable[which % len(settable)]
    lines[chosen] = f"{lines[chosen].split(' = ')[0]} = {value}"
    accepts("\n".join(lines))
