"""Tests of profile."""
