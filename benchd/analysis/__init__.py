"""Pure computation on arrays and numbers: numpy and scipy only. No file, no database, no clock, no benchd.

Bad arguments raise ValueError. `equilibrium` and `acoustics` stay light to import: they need numpy at most.
"""
