"""What is expected of the resistance of a cell, before any is seen, and how far what is seen may differ."""

RESISTANCE_V = 0.084
"""Expected resistance of a cell times its capacity in Ah: 0.30 mOhm at 280 Ah (typical, no source)."""

ACTIVATION_K = 2500.0
"""Arrhenius: how resistance grows in the cold; between 1500 K (at once) and 4200 K (slower), typical."""

LEAST, MOST = 0.4, 8.0
"""Bounds of what is learnt, as multiples of the expected resistance."""

ABSURD = 2.0 * MOST
"""No resistance at all is seen in what lies beyond this."""
