"""`python -m benchd`: the same as the command `benchd`."""

from benchd.cli import main

if __name__ == "__main__":
    main()
