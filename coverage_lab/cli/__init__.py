"""The command line: parses, calls, prints. Nothing is computed here."""

from coverage_lab.cli.app import main

__all__ = ["main"]
