"""Tests that run as services of a real systemd; see ../conftest.py."""
