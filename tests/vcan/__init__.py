"""Tests on a real kernel with CAN, run as an ordinary process."""
