"""Straight-line soil tests: what to weigh out, in which order to run, and how much was picked up."""
