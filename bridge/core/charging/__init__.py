"""The charge law of a bank."""
