"""Benchmarks: commands, not tests; DEVELOPERS.md shows their last tables."""
