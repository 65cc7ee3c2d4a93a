"""Tests of drill."""
