"""Streams of random numbers: the same everywhere, different for different names, and normal."""

import os
import statistics
import subprocess
import sys

import pytest

from sim.seeds import clipped_normal, normals, stream


def test_a_stream_is_the_same_in_every_process():
    script = "from sim.seeds import stream; print(stream(5, 'noise', 'brook 2x140').standard_normal())"
    numbers = {
        subprocess.run(
            [sys.executable, "-c", script],
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for hash_seed in ("1", "2")
    }
    assert len(numbers) == 1


def test_names_and_seeds_make_different_streams():
    streams = [
        stream(1),
        stream(2),
        stream(-1),
        stream(1, "a"),
        stream(1, "b"),
        stream(1, "a", "b"),
        stream(1, "b", "a"),
    ]
    assert len({one.integers(2**62) for one in streams}) == len(streams)


def test_blocks_follow_each_other_without_seams():
    numbers = normals(stream(1, "test"))
    drawn = [next(numbers) for _ in range(5000)]
    assert len(set(drawn)) == 5000
    assert drawn == stream(1, "test").standard_normal(5000).tolist()
    assert statistics.fmean(drawn) == pytest.approx(0, abs=0.06)
    assert statistics.stdev(drawn) == pytest.approx(1, abs=0.04)


def test_clipped_numbers_fill_their_interval_and_stay_inside():
    generator = stream(1, "test")
    drawn = [clipped_normal(generator, 0.5) for _ in range(2000)]
    assert max(drawn) == 0.5
    assert min(drawn) == -0.5
    assert statistics.stdev(drawn) == pytest.approx(0.25, abs=0.02)
