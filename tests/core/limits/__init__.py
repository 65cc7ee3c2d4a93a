"""Tests of `bridge.core.limits`."""
