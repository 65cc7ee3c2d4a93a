"""Captures in, virtual clock, comparison, report."""
