"""What the discharge law takes for granted unless it is told otherwise."""

from bridge.core.limits.draw_settings import DrawSettings


def test_what_is_not_told_is_taken_as_stated() -> None:
    """The numbers that README.md beside the law derives its margins and horizons from."""
    assert DrawSettings(16, 280.0, 2.9, 3.05, 140.0)._asdict() == {
        "cells": 16,
        "capacity_ah": 280.0,
        "floor_v": 2.9,
        "knee_v": 3.05,
        "most_a": 140.0,
        "sensor_offset_v": 0.002,
        "sensor_step_v": 0.001,
        "lag_s": 3.0,
        "delay_s": 1.0,
        "wire_v": 0.1,
        "wire_a": 0.1,
        "rise_a_per_s": 4.0,
        "voltmeter_v": 0.2,
        "cable_ohm": 0.003,
    }
