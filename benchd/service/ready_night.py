"""Is the night in order: the mount, the background, the quiet window, and what a person will be asked.

Pure: facts in, items out. It must not know where the facts come from, nor how the list is printed.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any

from benchd.analysis.acoustics import CUT_OFF_BELOW_DB, FULL_GRADE_FROM_DB
from benchd.running.windows import clock_words
from benchd.service.ready_facts import Asking, Background, Facts
from benchd.service.ready_item import Item, Verdict, asked, no, not_proven, yes

#: A background measured longer ago than this says nothing of the coming night: traffic, ventilation, the weather.
BACKGROUND_LASTS = timedelta(hours=24)


def queued(facts: Facts) -> Iterator[Item]:
    """The run stands in the queue: nothing else starts it at night."""
    if facts.run is None:
        yield no("queued", "it is not in the queue, so nothing would start it", facts.queue_command())
    else:
        yield yes("queued", f"run {facts.run}")


def mount(facts: Facts) -> Iterator[Item]:
    """What is to be measured stands on the bench."""
    standing = facts.standing
    wanted = f"mount {facts.mount} of {facts.specimen}"
    if facts.taken_off is not None:
        told = f"{wanted} was taken off {clock_words(facts.taken_off, facts.now)}, and no mount comes back as it was"
        yield no("mount", told, f"queue it with the next number: {_without_mount(facts)}")
    elif standing and (standing.specimen, standing.mount) == (facts.specimen, facts.mount):
        yield yes("mount", f"{wanted} is on the bench")
    else:
        there = f"the books have mount {standing.mount} of {standing.specimen}" if standing else "the books have none"
        do = "queue it, and when it is: benchd confirm" if facts.run is None else f"benchd confirm --run {facts.run}"
        yield asked("mount", f"is {wanted} on the bench? {there}", do)


def _without_mount(facts: Facts) -> str:
    return shlex.join(["benchd", "queue", facts.typed, "--specimen", facts.specimen])


def mount_checked(facts: Facts) -> Iterator[Item]:
    """The mount has been tried with a short heat step."""
    check = facts.mount_check
    if not facts.heats:
        return
    if check is None and facts.checks_mount:
        yield not_proven("mount check", "the protocol itself tries the mount")
    elif check is None:
        told = f"mount {facts.mount} was not tried with heat: a bad seat shows only in the morning"
        yield not_proven("mount check", told, facts.queue_command("mount_check"))
    elif check.worse:
        yield no("mount check", check.words, f"seat it again, then: benchd mounts add {shlex.quote(facts.specimen)}")
    else:
        yield yes("mount check", check.words)


def background(facts: Facts) -> Iterator[Item]:
    """The room is quiet enough for the levels asked for: 3 dB over the background at least, better 6.

    Less than 3 dB only bounds the level from above, 3 to 6 dB indicate it. Source: ISO 3744:2010 8.2.3, ISO 3746:2010
    8.4.1, as `analysis.acoustics.background_corrected` has it.
    """
    heard = facts.background
    if not facts.levels_dba:
        if facts.listens:
            yield yes("background", "no level is asked for, so none can drown in it")
        return
    if heard is None or facts.now - heard.measured > BACKGROUND_LASTS:
        last = "" if heard is None else f"; the last was {heard.level_dba:.1f} dBA, {_long_ago(facts, heard)}"
        yield not_proven("background", f"none was measured in the last 24 h{last}")
        return
    over_db = {level: round(level - heard.level_dba, 1) for level in facts.levels_dba}
    drowned = {level: over for level, over in over_db.items() if over < CUT_OFF_BELOW_DB}
    weak = {level: over for level, over in over_db.items() if CUT_OFF_BELOW_DB <= over < FULL_GRADE_FROM_DB}
    remark = f"; {_named(weak)}: indicative only" if weak else ""
    measured = f"{heard.level_dba:.1f}{_u(heard)} dBA, measured {clock_words(heard.measured, facts.now)}"
    if drowned:
        fate = "it would be an upper bound" if len(drowned) == 1 else "they would be upper bounds"
        told = f"{_named(drowned)} above the background of {heard.level_dba:.1f}: {fate}{remark}"
        least = heard.level_dba + CUT_OFF_BELOW_DB
        do = f"make the room quieter, or ask for {least:.1f} dBA and more"
        do = f"{do}, and measure it again: {facts.queue_command('fan_sweep')}"
        # An upper bound is a result too; only what cannot be reached at all is reason to stay.
        yield no("background", told, do) if min(drowned.values()) <= 0 else not_proven("background", told, do)
    else:
        yield yes("background", f"{measured}{remark}")


def _long_ago(facts: Facts, heard: Background) -> str:
    return f"{(facts.now - heard.measured).total_seconds() / 3600:.0f} h ago"


def _u(heard: Background) -> str:
    return "" if heard.u_db is None else f" ± {heard.u_db:.1f}"


def _named(over_db: Mapping[float, float]) -> str:
    """Levels and by how much they are above the background: `36 dBA is 2.1 dB, 38 dBA is 4.1 dB`."""
    return ", ".join(f"{level:g} dBA is {over:.1f} dB" for level, over in over_db.items())


def window(facts: Facts) -> Iterator[Item]:
    """What needs a quiet room lies in the quiet window."""
    if not any(step.quiet for step in facts.protocol.steps):
        return
    if facts.window.fits is None:
        yield not_proven("quiet window", facts.window.words)
    elif facts.window.fits:
        yield yes("quiet window", facts.window.words)
    else:
        yield no("quiet window", facts.window.words, f"give it more room or an earlier start: {facts.queue_command()}")


def when(facts: Facts) -> Iterator[Item]:
    """When it starts and when it ends."""
    if facts.starts is None or facts.ends is None:
        yield not_proven("start and end", "not known while something else has to end first or be answered")
    else:
        told = f"starts {clock_words(facts.starts, facts.now)}, ends about {clock_words(facts.ends, facts.now)}"
        yield yes("start and end", told)


def questions(facts: Facts) -> Iterator[Item]:
    """What is asked of a person, by this run or by one that stands before it; and what the night will ask."""
    mine_or_before = {facts.run, *(one["run"] for one in facts.before)}
    told = False
    for question in facts.document["asked"]:
        if question["run"] not in mine_or_before or _told_elsewhere(facts, question):
            continue
        told = True
        yield _question(facts, question)
    for coming in facts.askings:
        told = True
        at = f"about {clock_words(coming.comes, facts.now)}" if coming.comes else "when it comes to it"
        yield _coming(coming, at)
    if not told:
        yield yes("questions", "the night asks nothing of a person")


def _coming(coming: Asking, at: str) -> Item:
    told = f"{at} it asks: {coming.what} (waits {coming.waits_min:g} min"
    if coming.later:
        return not_proven("question", f"{told}, then goes on; the answer can be given later)")
    return asked("question", f"{told}, then fails)", "somebody has to be there or look in: benchd confirm")


def _told_elsewhere(facts: Facts, question: Mapping[str, Any]) -> bool:
    """The mount of this run has an item of its own."""
    return bool(question["kind"] == "mount" and question["run"] == facts.run)


def _question(facts: Facts, question: Mapping[str, Any]) -> Item:
    whose = "" if question["run"] == facts.run else f"run {question['run']}, which is before it: "
    if question["pending"]:
        return not_proven("question", f"{whose}{question['what']}: not answered in time", question["how"])
    return Item("question", Verdict.ASKED, f"{whose}{question['what']}", question["how"])
