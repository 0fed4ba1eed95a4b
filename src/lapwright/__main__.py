"""``python -m lapwright`` is the command ``lapwright``."""

from lapwright.cli.main import entry

if __name__ == "__main__":
    entry()
