"""Storms: every fault at once, drawn from one number, and an observer with eyes of its own."""
