"""Tests. They mirror bridge/, plus outside/ (published sources), vcan/ (a real kernel) and bench/."""
