"""Is the bench in order for the night: its protocol, instruments, interlocks, meter, disk, and whether it is free.

Pure: facts in, items out. It must not know where the facts come from, nor how the list is printed.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd.bench_file import Interlock
from benchd.cross_check import HEATED
from benchd.running.windows import clock_words
from benchd.service.ready_facts import Facts
from benchd.service.ready_item import Item, Verdict, no, not_proven, yes

#: Nearer than this [dB] to an end of its range a meter is not trusted: its own noise is then heard as a background is.
RANGE_MARGIN_DB = 3.0


def protocol(facts: Facts) -> Iterator[Item]:
    """The protocol can be played on this bench."""
    name = facts.protocol.protocol
    if not facts.problems:
        yield yes("protocol", f"bench {facts.bench.bench} can play {name}")
        return
    more = f"; and {len(facts.problems) - 1} more" if len(facts.problems) > 1 else ""
    check = shlex.join(["benchd", "check", facts.typed, "--bench", facts.bench.bench])
    yield no("protocol", f"{facts.problems[0]}{more}", f"mend it, then: {check}")


def instruments(facts: Facts) -> Iterator[Item]:
    """All channels answer; one that the protocol or an interlock needs may not be silent."""
    doc = facts.document
    if doc["channels_local"] is None:
        yield no("instruments", "nothing was read from the bench yet", "ask again in some seconds")
        return
    for silent in doc["silent"]:
        needed = facts.needed & set(facts.channels_of(silent["instrument"]))
        told = f"; the protocol needs {', '.join(sorted(needed))}" if needed else "; the protocol does not need it"
        look = "see its plug and supply, then: benchd status"
        verdict = Verdict.NO if needed else Verdict.NOT_PROVEN
        yield Item("instruments", verdict, f"{silent['why']}{told}", look)
    quiet = {silent["instrument"] for silent in doc["silent"]}
    bad = [one for one in doc["channels"] if not _answers(one) and facts.owner_of(one["channel"]) not in quiet]
    for one in bad:
        verdict = Verdict.NO if one["channel"] in facts.needed else Verdict.NOT_PROVEN
        told = "which the protocol needs" if verdict is Verdict.NO else "which the protocol does not need"
        what = f"{one['channel']} is {one['flag'].replace('_', ' ')}, {told}"
        yield Item("instruments", verdict, what, "see its sensor and cable, then: benchd status")
    unread = sorted(facts.needed - {one["channel"] for one in doc["channels"]})
    if unread:
        yield not_proven("instruments", f"not read as the bench stands now: {', '.join(unread)}")
    if not (doc["silent"] or bad or unread):
        yield yes("instruments", f"all {len(doc['channels'])} channels answer")


def _answers(channel: Mapping[str, Any]) -> bool:
    # A room quieter than the meter can show is a matter of its range, not of its answering.
    flag, name = channel["flag"], channel["channel"]
    return bool(flag == "ok" or (flag == "out_of_range" and name == "level_dba"))


def interlocks(facts: Facts) -> Iterator[Item]:
    """The interlocks of the bench watch, and nothing is near passing them; that they trip is another matter."""
    watched = {one["limit"]: one for one in facts.document["interlocks"]}
    wanted = facts.interlocks
    if not wanted:
        yield not_proven("interlocks", f"bench {facts.bench.bench} has none, and the protocol does not heat")
        return
    unseen = [lock for lock in wanted if lock.words not in watched]
    blind = [one for one in watched.values() if one["margin"] is None]
    passed = [one for one in watched.values() if one["margin"] is not None and one["margin"] <= 0]
    for one in passed:
        sentence = f"{one['limit']}: passed, it is {one['value']:g}; the run would trip at once"
        yield no("interlocks", sentence, "let it come back first: benchd status")
    for one in blind:
        yield no("interlocks", f"{one['limit']}: {one['channel']} cannot be read", "see its sensor: benchd status")
    if unseen:
        yield not_proven("interlocks", f"not watched as the bench stands now: {_listed(unseen)}")
    if not (passed or blind):
        margins = [f"{one['limit']}: {one['margin']:.3g} {_unit(one)} left" for one in _nearest(facts)]
        yield yes("interlocks", f"{len(watched)} watched; {'; '.join(margins)}")
    yield not_proven("interlock proof", "no step can prove yet that they trip: they are only seen to read")


def _listed(locks: Sequence[Interlock]) -> str:
    return "; ".join(lock.words for lock in locks)


def _unit(one: Mapping[str, Any]) -> str:
    return "" if one["unit"] == "1" else str(one["unit"])


def _nearest(facts: Facts) -> list[Mapping[str, Any]]:
    """The interlocks whose margins a person wants to read: those of what is heated, of the others the first."""
    there = facts.document["interlocks"]
    return [one for one in there if one["channel"] == HEATED] or list(there[:1])


def calibrator(facts: Facts) -> Iterator[Item]:
    """The meter has been held against a calibrator."""
    if facts.listens:
        yield not_proven("calibrator", "no step can check the meter against a calibrator yet")


def battery(facts: Facts) -> Iterator[Item]:
    """Whatever runs on a battery has one that lasts."""
    declared = {name: spec for name, spec in facts.channels.items() if name.startswith("battery_")}
    read = {one["channel"]: one for one in facts.document["channels"]}
    for name, spec in declared.items():
        one = read.get(name)
        if one is None or one["value"] is None:
            yield not_proven("battery", f"{name} cannot be read: look at it")
        elif spec.range is None:
            told = f"{name} is {one['value']:g} {one['unit']}, and the bench file does not say what is enough"
            yield not_proven("battery", told)
        elif one["flag"] != "ok":
            told = f"{name} is {one['value']:g} {one['unit']}, outside {spec.range[0]:g} to {spec.range[1]:g}"
            yield no("battery", told, f"change or charge it, then: benchd ready {facts.protocol.protocol}")
        else:
            yield yes("battery", f"{name} is {one['value']:g} {one['unit']}")
    if not declared and facts.listens:
        yield not_proven("battery", "the meter does not tell its battery: look at it")


def meter_range(facts: Facts) -> Iterator[Item]:
    """The meter can show the levels asked for, with room to spare at both ends."""
    if not facts.levels_dba:
        return
    spec = facts.channels.get("level_dba")
    if spec is None or spec.range is None:
        yield not_proven("meter range", "the bench file does not say which levels the meter can show")
        return
    low, high = spec.range
    asked = f"levels asked are {_span(facts.levels_dba)} dBA, the meter shows {low:g} to {high:g} dBA"
    least, most = min(facts.levels_dba) - low, high - max(facts.levels_dba)
    if min(least, most) < 0:
        yield no("meter range", asked, "set the meter to another range and say so in the bench file")
    elif min(least, most) < RANGE_MARGIN_DB:
        yield not_proven("meter range", f"{asked}: less than {RANGE_MARGIN_DB:g} dB to spare")
    else:
        yield yes("meter range", asked)


def _span(levels_dba: tuple[float, ...]) -> str:
    low, high = min(levels_dba), max(levels_dba)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def disk(facts: Facts) -> Iterator[Item]:
    """There is room for the samples of the night."""
    room = f"{_size(facts.free_bytes)} free, {_size(facts.wanted_bytes)} wanted"
    if facts.free_bytes < facts.wanted_bytes:
        yield no("disk", room, f"make room beside {facts.document['database']}")
    else:
        yield yes("disk", room)


def _size(amount: float) -> str:
    return f"{amount / 1e9:.1f} GB" if amount >= 1e9 else f"{amount / 1e6:.0f} MB"


# --- the bench and its queue


def free(facts: Facts) -> Iterator[Item]:
    """Nothing stands before the run, or it ends by itself."""
    doc = facts.document
    latch, running = doc["latch"], doc["run"]
    if latch is not None:
        at = clock_words(latch["local"], facts.now)
        yield no("bench free", f"the bench tripped {at}: {latch['what']}", "see to the cause, then: benchd clear")
    if running is not None and running["state"] == "held":
        told = f"run {running['run']} is held and does not go on by itself"
        yield no("bench free", told, "benchd resume, or benchd abort")
    before = _before(facts)
    if latch is None and not (running and running["state"] == "held"):
        yield yes("bench free", before or "nothing runs, nothing is before it")


def _before(facts: Facts) -> str:
    running = facts.document["run"]
    told = []
    if running is not None and running["run"] == facts.run:
        return f"run {running['run']} is already being played"
    if running is not None:
        ends = f" until about {clock_words(running['ends_local'], facts.now)}" if running["ends_local"] else ""
        told.append(f"run {running['run']} ({running['protocol']}, {running['specimen']}) is played{ends}")
    coming = [one for one in facts.before if one["state"] == "queued"]
    told += [f"run {one['run']} ({one['protocol']}, {one['specimen']}) is before it" for one in coming]
    return ", then ".join(told)
