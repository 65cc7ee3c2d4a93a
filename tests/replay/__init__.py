"""Tests of replay."""
