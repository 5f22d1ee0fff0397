"""The benchmark runs from the command line as it is told to, and names every ending."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_it_compares_every_ending_with_the_bound() -> None:
    command = [sys.executable, "-m", "tests.benchmarks.equilibrium", "--plants", "8", "--nights", "0"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    endings = ("fixed 25 min", "1 K in 5 min", "3 K in 30 min", "R statistic", "benchd, settled", "benchd, predicted")
    for begins in (*endings, "the bound", "white heating without slow mode", "an update of the detector"):
        assert any(line.startswith(begins) for line in done.stdout.splitlines()), begins
