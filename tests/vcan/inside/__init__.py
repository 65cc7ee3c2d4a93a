"""Tests that run under the userspace kernel; see ../conftest.py."""
