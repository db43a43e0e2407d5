"""``python -m glademark``: the command line."""

from glademark.hosts.cli import main

if __name__ == "__main__":
    main()
