"""`python -m harness` is the same command as `panelproof`."""

from harness.cli.main import entry

if __name__ == "__main__":
    entry()
