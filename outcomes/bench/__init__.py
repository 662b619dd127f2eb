"""Benchmarks: the project's way timed beside the plain way, in one run, and held to the same answer."""
