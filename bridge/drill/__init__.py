"""The fault table, run against a profile."""
