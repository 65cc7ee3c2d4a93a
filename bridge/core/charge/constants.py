"""Every constant of the charge law: value, unit, what it is for, source or "own choice".

C means the capacity of the string in Ah taken as A; "the most" is the charge current that is never exceeded.
"""

from typing import Final

# The cell

FOOT_V: Final = 3.335
"""V. Resting voltage where the knee of the curve begins to rise: a typical LFP plateau near full."""

CURVE_LEAST, CURVE_USUAL, CURVE_MOST = 0.7, 1.0, 2.2
"""1. Steepness of the knee, as a multiple of one e-fold per `e_fold` of charge: the least, what is taken
until it is seen, and the most. A knee twice as steep, and a hyperbola, lie within (own choice)."""

CURVE_PER_S: Final = 0.15
"""1/s. Weight of a new rise for the steepness of the knee (own choice)."""

CURVE_FROM_V: Final = 0.045
"""V. So far above the foot the highest cell must rest before the steepness is learnt (own choice)."""

SLOW: Final = ((60.0, 0.3), (600.0, 0.5))
"""s and 1. Slow parts of a resistance: time constant, and size as a share of the fast part (typical)."""

PULL_PER_S: Final = 0.15
"""1/s. Pull of a reading on the rest voltage, within what the reading allows (own choice)."""

NOISE_V: Final = 0.0012
"""V. A reading may be so far off, besides half a step of its sensor: noise of 1 mV, and rounding."""

# The resistance

WINDOW_S: Final = 25.0
"""s. A step of the current must come and be over within this time to tell a resistance (own choice)."""

CALM_C: Final = 0.02
"""C. A current that keeps within this range is calm: its readings and the cells' can be told together."""

STEP_C, STEP_CALMS = 0.04, 4.0
"""C and 1. A step of the current tells a resistance if it is so large, and so many times what is calm."""

BLUR_V: Final = 0.0015
"""V. Error of the difference of two readings, besides the step of the sensor (noise of 1 mV)."""

BLUR: Final = 0.15
"""1. Part of a resistance that a step does not tell: slow parts, gain of the sensor (own choice)."""

DRIFTS: Final = 0.05
"""1. What a resistance may have changed from one step of the current to the next (own choice)."""

UNKNOWN: Final = 1.0
"""1. Doubt about a resistance of which nothing was seen, as a multiple of what is expected."""

# The bound

MARGIN_V: Final = 0.0005
"""V. Margin below the target beside the error of the sensor (own choice)."""

MARGIN_STEP: Final = 0.1
"""1. Margin for what a step of the sensor beyond 1 mV hides, as a share of it (own choice)."""

EXTREMES_V: Final = 0.0012
"""V. Margin where only the highest and the lowest cell are known (own choice)."""

ANSWERS: Final = 1.7
"""1. Time constants of the charger that the horizon has. One passes until the charge is under way to the new
limit; the rest is for what is not told of it (own choice)."""

UNDECIDED_S, IGNORES_S = 20.0, 8.0
"""s. The horizon is longer by this until it is known whether the limit is heeded, and where it is not."""

EASES_PER_S: Final = 0.5
"""s/s. Once it is known, the horizon shrinks so fast: the limit stands, rather than turns."""

WORTH, MOST_WORTH = 0.04, 0.16
"""1. A rise must be worth this share of the most; doubled, up to the second, where a rise did not last."""

WIDE: Final = 0.5
"""1. A bound above this share of the most is reason for a rise even where the limit holds nothing back."""

LASTS_S: Final = 180.0
"""s. A rise of which half is gone within this time did not last (own choice)."""

LOOK_AHEAD_S: Final = 20.0
"""s. A rise leads to what may still flow so much later than the horizon (own choice)."""

CREEP_PER_S, FREES_PER_S = 0.0005, 0.002
"""1/s. Rise towards a bound that is no rise's worth away, as a share of the most; where nothing flows."""

NOTHING_C, NOTHING_S = 0.01, 60.0
"""C and s. Nothing flows: less than this, for so long (own choice)."""

# The supervisor

GAIN: Final = 0.02
"""1. Error of the current sensor, as a share of what flows (typical)."""

REACH_LAGS: Final = 3.0
"""1. A limit may be in force for so many time constants after another was sent (95 % of the way)."""

PASSES, PASSES_FIRMLY = 0.03, 0.08
"""1. A current must pass the limit by this share of the most, beside the sensor's errors. The second holds
where it was heeded before: a bank that feeds the other passes by some percent (own choice)."""

STEADY, LASTING = 0.97, 0.8
"""1. An excess of less than the first share of the one before sinks, as that of a load that went does. One of
less than the second share of its greatest since then fades, as where a bank feeds the other (own choice)."""

PROOF_LAGS, FIRM_LAGS = 3.0, 5.0
"""1. Steady excess that proves a limit ignored, in time constants of the charger: while undecided; against
what was proven (own choice)."""

TOUCH: Final = 0.03
"""1. A current touches its limit within this share of the most, beside the sensor's errors (own choice)."""

FOLLOWS: Final = 0.10
"""1. The limit must lead a current that touches it over this share of the most to prove it heeded."""

STARTS: Final = 0.7
"""1. Share of the most at which a charge starts, until the answer of the charger can be seen."""

TRY_AFTER_S, TRY_FROM, TRY_SHARE = 300.0, 0.25, 0.5
"""s, 1, 1. Undecided for so long under more than this share of the most, the limit is led once to that share
of what flows."""

FREE: Final = 1.3
"""1. The one trial is made only where the bound is at so many times the most: no cell is near its target."""

RESTED_S: Final = 600.0
"""s. Nothing flows for so long, and no cell is near its target: what comes then is another charge."""

MOST_ANSWER_S: Final = 15.0
"""s. Longest delay between limit and current that is reckoned with (own choice)."""

# The voltage

MOST_OFFSET_V: Final = 0.6
"""V. Largest offset of a charger's voltage that is reckoned with, either way (own choice)."""

OVER_SHARE, OVER_A = 0.3, 0.3
"""1 and A. The voltage goes down for a current above the bound by this share of a step's worth; for so many
A where a cell is at its target."""

TARGET_NEAR_V: Final = 0.001
"""V. A cell is at its target within this."""

LEADS: Final = 0.7
"""1. Part of an excess that is taken back at once (own choice)."""

ANSWERED: Final = 0.15
"""1. A step up must bring this share of its worth; else it is the source that limits."""

LEADS_UP: Final = 0.5
"""1. Part of a lack that is made up by one rise (own choice)."""

RISES: Final = 1.6
"""1. The voltage follows what is reckoned up only over so many of its steps: it stands, rather than turns."""

OPEN_STEPS: Final = 4.0
"""1. Far from the target the voltage leads to so many of its steps above the most. So none is lost to its
coarseness, and a charger that ignores its limit gives what it can (own choice)."""

SETTLES: Final = 2.0
"""1. A step of the voltage has settled after so many times the answer of the charger (86 % of the way)."""

LACKS_S: Final = 24.0
"""s. A lack must have lasted so long for a step up: that of a load, or a cloud, comes and goes."""

READINGS: Final = 4
"""1. The least of so many readings of the current counts: a load that goes does not (own choice)."""

WAITS_S, MOST_WAIT_S = 120.0, 480.0
"""s. Time until the next step up after one that brought nothing; doubled by each more, up
to the second (own choice)."""

SPARES: Final = 0.8
"""1. A step up needs room for so many times its worth (own choice)."""

LEAST_C: Final = -0.1
"""C. The voltage is led no further below the string at rest than by this current."""

CONTACT: Final = 2.2
"""1. A resistance so many times that of the middle cell, and of the usual, is a bad contact (own choice)."""
