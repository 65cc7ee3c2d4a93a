"""Tests of the charge law in three parts."""
