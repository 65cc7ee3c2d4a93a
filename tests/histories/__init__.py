"""Whole histories of a pack under the limits: too long to trace, so not among the tests of the core."""
