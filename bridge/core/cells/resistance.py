"""What is expected of the resistance of a cell, before any is seen, and how far what is seen may differ."""

RESISTANCE_V = 0.084
"""Expected resistance of a cell times its capacity in Ah: 0.30 mOhm at 280 Ah (typical, no source)."""

ACTIVATION_K = 2500.0
"""Arrhenius: how resistance grows in the cold. More than the 1840 K of a measured cell (see the simulator's):
what is learnt is a multiple of it, and too much expected in the cold is the safe side (own choice)."""

LEAST, MOST = 0.4, 8.0
"""Bounds of what is learnt, as multiples of the expected resistance."""

ABSURD = 2.0 * MOST
"""No resistance at all is seen in what lies beyond this."""
