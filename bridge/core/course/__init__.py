"""The course of a charge over hours, and what outlives a restart."""
