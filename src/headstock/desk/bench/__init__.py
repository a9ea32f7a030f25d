"""Accuracy and speed on this machine, with the machine described. A command, never a timed test."""

from headstock.desk.bench.run import PARTS, run

__all__ = ["PARTS", "run"]
