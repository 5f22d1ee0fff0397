"""The shipped protocols: TOML files only, each opening with what it is for and how long it takes.

They go by name (`benchd check overnight`). To change one, copy it into the folder `benchd/protocols` of the XDG config
folder; a file of the same name there comes first.
"""
