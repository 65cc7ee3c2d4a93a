"""The charge law in three parts: an estimator of each cell, a bound, a supervisor of the charger."""
