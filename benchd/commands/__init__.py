"""One file a command: what `cli.py` calls once the words are parsed. Each asks the other rooms and prints."""
