"""The command line where its script is not on the path: ``python -m ongrowth``."""

from ongrowth.cli import main

if __name__ == "__main__":
    main()
