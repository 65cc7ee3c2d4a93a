"""Bits: how a frame is read and made, and when it is due."""
