"""The part of the desk that queues: specimens, mounts, orders, repairs."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.cross_check import cross_check
from benchd.errors import InputError, NotFound, RunRefused
from benchd.instruments import Cooling
from benchd.protocol_file import parse_protocol
from benchd.running.enroll import enroll
from benchd.running.plan import Plan, plan_of
from benchd.running.states import Quality, RunEvent, next_state
from benchd.service.orders import Order, Queued
from benchd.service.outlook import never_fits, outlook_of
from benchd.service.shift import Shift
from benchd.store import queries
from benchd.store.records import REPEAT, MountRow, PointRecord, SpecimenRow

#: What a test point may be worth that is measured once more by a repair. Over limit and not reached are results.
NOT_GOOD = frozenset({Quality.FLAGGED, Quality.VOID})


class QueueDesk:
    """Queues runs and keeps the books of the bench."""

    def __init__(self, shift: Shift) -> None:
        self._shift = shift

    # Specimens and mounts

    def add_specimen(self, name: str, cooling: Cooling, note: str, who: str) -> SpecimenRow:
        """Enter a specimen. Raises `InputError` when it is in the books with another cooling, `NotFound`."""
        self._can_be_mounted(name, cooling)
        self._shift.writer.specimen(name, cooling, note)
        self._shift.event("specimen", f"{name} ({cooling})", who)
        with self._shift.writer.reading() as connection:
            row = queries.specimen(connection, name)
        if row is None:
            raise NotFound(f"there is no specimen {name!r}")
        return row

    def add_mount(self, specimen: str, note: str, who: str) -> MountRow:
        """A specimen has been mounted on the bench. Raises `NotFound`, `RunRefused` while a run is played."""
        if self._shift.playing is not None:
            raise RunRefused(f"run {self._shift.playing.row.id} is played now", "nothing can be mounted meanwhile")
        with self._shift.writer.reading() as connection:
            known = queries.specimen(connection, specimen)
            if known is None:
                raise NotFound(f"there is no specimen {specimen!r}", "benchd specimens add NAME --cooling liquid|air")
            mounts = queries.mounts(connection, known.id)
        planned = [one.number for one in mounts if one.mounted_utc is None and one.taken_off_utc is None]
        number = planned[0] if planned else _next(mounts)
        mount_id = self._shift.writer.plan_mount(known.id, number, note)
        self._shift.writer.stand(mount_id, self._shift.name, self._shift.now())
        self._shift.event("mounted", f"mount {number} of {specimen} is on the bench", who)
        with self._shift.writer.reading() as connection:
            return next(one for one in queries.mounts(connection, known.id) if one.id == mount_id)

    def _can_be_mounted(self, name: str, cooling: Cooling | None) -> None:
        """On a simulated bench there are only the specimens that it can compute."""
        there = self._shift.bench.specimens()
        if there and name not in there:
            raise NotFound(f"there is no simulated specimen {name!r}", f"there are: {', '.join(sorted(there))}")
        if there and cooling not in (None, there[name]):
            raise InputError(f"{name} is cooled by {there[name]}, not by {cooling}")

    def _cooling(self, order: Order) -> Cooling:
        self._can_be_mounted(order.specimen, order.cooling)
        with self._shift.writer.reading() as connection:
            known = queries.specimen(connection, order.specimen)
        cooling = known.cooling if known else self._shift.bench.specimens().get(order.specimen, order.cooling)
        if cooling is None:
            raise NotFound(
                f"specimen {order.specimen!r} is not in the books",
                f'benchd specimens add "{order.specimen}" --cooling liquid|air, or queue it with --cooling liquid|air',
            )
        if order.cooling not in (None, cooling):
            raise InputError(f"{order.specimen} is in the books with {cooling} cooling, not {order.cooling}")
        return cooling

    # Orders

    def queue(self, order: Order, who: str) -> Queued:
        """Queue a run. Raises `NotFound`, `InputError` (all that is wrong with the protocol), `RunRefused`."""
        shift = self._shift
        cooling = self._cooling(order)
        cross_check(order.protocol, shift.loaded.bench, cooling)
        specimen_id = shift.writer.specimen(order.specimen, cooling)
        number, new = self._mount_number(specimen_id, order)
        run_id = enroll(
            shift.writer,
            order.protocol,
            shift.loaded,
            mount_id=shift.writer.plan_mount(specimen_id, number),
            seed=order.seed,
            simulated=shift.bench.immediate,
            utc=shift.now(),
            quiet=order.quiet,
            due_utc=order.due_utc,
            queued_by=who,
        )
        shift.event("queued", f"{order.protocol.protocol.protocol} on {order.specimen}, mount {number}", who, run_id)
        says = [f"run {run_id} is queued: {order.protocol.protocol.protocol} on {order.specimen}, mount {number}"]
        if new:
            says.append(f"mount {number} is new; when it is on the bench: benchd confirm --run {run_id}")
        return Queued(run=run_id, mount=number, says=(*says, *self._outlook(run_id)))

    def _outlook(self, run_id: int) -> Sequence[str]:
        """When the run is expected to start and to end; at once, too, when its window can never hold it."""
        with self._shift.writer.reading() as connection:
            row = queries.run(connection, run_id)
            never = never_fits(connection, self._shift, row)
            looked = outlook_of(connection, self._shift, row)
        return looked if not never or never in looked else (*looked, never)

    def _mount_number(self, specimen_id: int, order: Order) -> tuple[int, bool]:
        """The number of the mount that is meant, and whether it is new to the books."""
        with self._shift.writer.reading() as connection:
            mounts = queries.mounts(connection, specimen_id)
            on_bench = self._shift.standing(connection)
        following = _next(mounts)
        if order.mount is None:
            if on_bench is not None and on_bench.specimen_id == specimen_id:
                return on_bench.number, False
            planned = [one.number for one in mounts if one.mounted_utc is None and one.taken_off_utc is None]
            return (planned[0], False) if planned else (following, True)
        known = next((one for one in mounts if one.number == order.mount), None)
        if known is not None and known.taken_off_utc is not None:
            when = known.taken_off_utc.astimezone(self._shift.zone)
            raise RunRefused(
                f"mount {order.mount} of {order.specimen} was taken off on {when:%Y-%m-%d at %H:%M}",
                f"every mounting has a number of its own, the next is {following}: --mount {following}",
            )
        if known is None and order.mount != following:
            raise InputError(f"{order.specimen} has no mount {order.mount}", f"the next mounting is number {following}")
        return order.mount, known is None

    def repair(self, run: int, who: str) -> Queued:
        """Queue a run that has ended once more, for what is not good in it. Raises `RunRefused`, `NotFound`."""
        shift = self._shift
        with shift.writer.reading() as connection:
            row = queries.run(connection, run)
            state = next_state(row.state, RunEvent.REPAIR)
            protocol = parse_protocol(row.protocol_text, f"protocol of run {run}")
            plan = plan_of(connection, row, protocol)
            stages = {place.point: place.stage for place in queries.point_places(connection, run)}
            bad = [point for point in queries.points(connection, [run]) if point.quality in NOT_GOOD]
            last_ms = queries.last_t_ms(connection, run) or 0
            on_bench = shift.standing(connection)
        if on_bench is None or on_bench.id != row.mount_id:
            raise RunRefused(
                f"mount {row.mount} of {row.specimen} is no longer on the bench, so nothing can be repaired",
                "another mounting is another result: queue a new run",
            )
        again = _again(plan, [stages[point.point] for point in bad])
        left = [stage.key for stage in plan.schedule.stages if stage.key not in plan.done]
        if not again and not left:
            raise RunRefused(f"nothing in run {run} needs repair", f"benchd results {run} shows its points")
        for stage in again:
            shift.event(REPEAT, stage, who, run, last_ms + 1)
        shift.writer.set_state(run, state, shift.now(), "queued for repair")
        shift.event("queued", f"repair of {_points(bad)}" if bad else "the rest of it", who, run)
        says = f"run {run} is queued again: {_points(bad) if bad else 'what is left of it'}; what is good stands"
        return Queued(run=run, mount=row.mount, says=(says, *self._outlook(run)))


def _next(mounts: Sequence[MountRow]) -> int:
    return max((one.number for one in mounts), default=0) + 1


def _points(bad: Sequence[PointRecord]) -> str:
    return f"{len(bad)} point{'s' if len(bad) != 1 else ''}"


def _again(plan: Plan, bad: Sequence[str]) -> list[str]:
    """The stages to be played once more: the bad ones, and what brings the bench back after the last of them."""
    keys = [stage.key for stage in plan.schedule.stages]
    if not bad:
        return []
    last = max(keys.index(key) for key in bad)
    after = plan.schedule.stages[last + 1 :]
    cooling = [stage.key for stage in after if stage.point is None and stage.plays[0].kind == "cool_down"]
    return [*bad, *(key for key in cooling if key in plan.done)]
