"""Whole-path checks on the practice cases and measured data beside the project.

They are part of the run wherever `../shared` lies beside the checkout; without it the run's header says
that they are left out (tests/conftest.py). Nothing in here skips.
"""
