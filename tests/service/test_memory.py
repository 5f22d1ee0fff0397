"""The guard stays small: what it needs to make a bench safe is read without what only a played bench needs."""

from __future__ import annotations

import subprocess
import sys

import pytest

#: The guard's, as wanted of the daemon [kB]; measured 39.0 MB with `wired` and 32.6 MB with `simulated`.
AT_MOST_KB = 40_000

LOOKED_AT = """
import sys
import benchd.running.safe_state
from benchd.bench_file import load_bench
from benchd.named_files import find_bench

found = find_bench(sys.argv[1])
load_bench(found.text, found.file)
print("numpy" in sys.modules, next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmRSS")))
"""


@pytest.mark.parametrize("bench", ["simulated", "simulated_processor", "wired"])
def test_a_bench_file_is_read_without_numpy_and_in_forty_megabytes(bench) -> None:
    command = [sys.executable, "-c", LOOKED_AT, bench]
    said = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout.split()
    assert said[0] == "False"
    assert 10_000 < int(said[1]) <= AT_MOST_KB
