"""Checks against sources outside the project; each names its source."""
