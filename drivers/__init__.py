"""Instrument drivers, one file a family: a pure codec and a thin link each.

A driver imports `benchd.instruments` and `benchd.errors` and nothing else of benchd. It is found by the entry-point
group `benchd.drivers`, as a stranger's driver would be.
"""

# A foreign distribution of this name may lie over ours: benchd compares this with its own version at start-up.
__benchd__ = "0.1.0"
