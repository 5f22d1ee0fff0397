"""benchd: runs an unattended night of cooler measurements on one bench.

The way of the data, one direction: protocol file, schedule, step, engine tick, instruments, samples, writer,
(interlocks, step), findings and test points, comparison, report. DEVELOPERS.md says where each of them lives.
"""

__version__ = "0.1.0"
