"""Colours of plots and reports, safe for the colour-blind: Okabe and Ito, "Color Universal Design", 2008."""

from typing import Final

BLACK: Final = "#000000"
ORANGE: Final = "#E69F00"
SKY_BLUE: Final = "#56B4E9"
GREEN: Final = "#009E73"
YELLOW: Final = "#F0E442"
DEEP_BLUE: Final = "#0072B2"
VERMILION: Final = "#D55E00"
PURPLE: Final = "#CC79A7"

BLUE: Final = SKY_BLUE
"""For text on a dark terminal."""
