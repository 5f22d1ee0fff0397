"""What becomes of the runs that are still to be played: when each starts, or what it waits for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from benchd.running.states import RunState
from benchd.service.shift import Shift
from benchd.store.records import RunRow

