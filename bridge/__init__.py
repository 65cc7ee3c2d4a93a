"""ampweir: turns live battery state into limits, and limits into the frames an inverter understands."""

__version__ = "0.1.0"
