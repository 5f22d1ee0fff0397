"""The calendar: has the queue looked at now and then, backs up at night, reminds of what waits.

APScheduler wakes us and no more: its jobs are in memory, and everything that must outlive the process stands in our own
tables. Its waiting is bounded by the short interval, so that a clock set forward or a sleeping machine costs no night.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

from apscheduler.jobstores.memory import MemoryJobStore
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from benchd.clock import utc_now

#: The queue is looked at so often [s of bench time].
DISPATCH_S = 20.0
#: And no more often than this [s of real time], however fast the bench's clock runs.
DISPATCH_AT_LEAST_S = 0.25
#: A person is reminded so often [min].
REMIND_MIN = 30
#: The backup is due at 03:30 and tried again each hour until it could be made. The hours around the change of clocks
#: may come twice or never: it is asked once an hour, and a night has one copy.
BACKUP_FROM_HOUR, BACKUP_MINUTE = 3, 30


class Calendar:
    """Calls what it is given, on a thread of its own.

    The calls must be short, but for the backup, which says whether it was made.
    speed: how much faster than real time the bench's clock runs; a simulated bench that does is not backed up.
    """

    def __init__(
        self,
        *,
        dispatch: Callable[[], None],
        back_up: Callable[[], bool],
        remind: Callable[[], None],
        idle: Callable[[], bool],
        zone: ZoneInfo,
        speed: float = 1.0,
    ) -> None:
        self._back_up = back_up
        self._idle = idle
        self._zone = zone
        self._backed_up_on: str | None = None
        self._scheduler = BackgroundScheduler(
            jobstores={"default": MemoryJobStore()},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
            timezone=zone,
        )
        every_s = max(DISPATCH_AT_LEAST_S, DISPATCH_S / speed)
        self._scheduler.add_job(dispatch, IntervalTrigger(seconds=every_s), id="dispatch")
        self._scheduler.add_job(remind, IntervalTrigger(minutes=REMIND_MIN), id="remind")
        if speed == 1.0:
            self._scheduler.add_job(self.night, CronTrigger(minute=BACKUP_MINUTE, timezone=zone), id="backup")

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def stop(self) -> None:
        """End, when the call under way has ended: a thread left to itself would be waited for by the interpreter."""
        if self._scheduler.running:
            self._scheduler.shutdown()

    def night(self, now: datetime | None = None) -> None:
        """Once an hour: back up unless it was done today already, is not due yet, or a run is played."""
        local = (now or utc_now()).astimezone(self._zone)
        today = local.date().isoformat()
        due = today != self._backed_up_on and local.hour >= BACKUP_FROM_HOUR
        if due and self._idle() and self._back_up():
            self._backed_up_on = today
