"""What is typical of a cell, and of the sensors that look at it."""
