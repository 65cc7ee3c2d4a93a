"""The sections of a profile for the course of a charge: its stages, and commissioning a new pack."""

from typing import Any, Self

from pydantic import AwareDatetime, Field, model_validator

from bridge.profile.schema_base import Percent, Positive, Section, Share, wrong


def _optional(description: str) -> Any:
    return Field(default=None, description=description)


class Stages(Section):
    """Stages of a charge: bulk, absorption, balancing, resting. Without this section the pack is charged to
    its target at any time, and stays there. A stage never loosens a limit."""

    absorption_within_v: Positive | None = _optional(
        "the highest cell counts as at its target from this far below, V; default: 0.02, or more where few "
        "cells share the error of a charger's voltmeter"
    )
    absorption_min: Positive = Field(
        default=60.0, description="absorption ends after so many minutes at the target, min"
    )
    tail_current_a: Positive | None = _optional(
        "absorption ends when the pack's current has been no more than this for a minute, A; default: a "
        "fiftieth of the banks' Ah if their currents are read"
    )
    resting_voltage_v: Positive | None = _optional(
        "charge voltage of the pack once it is full, V; default: that of [limits]"
    )
    restart_below_soc_pct: Percent | None = _optional(
        "charging starts again below this state of charge, %, or by the mean cell while that is not known; "
        "default: not by state of charge"
    )
    restart_below_lowest_cell_v: Positive | None = _optional(
        "or with the lowest cell below this for a minute, V; default: not by the lowest cell"
    )
    restart_below_mean_cell_v: Positive | None = _optional(
        "or with the mean cell below this for a minute, V; default: 0.05 V below the resting voltage of a "
        "cell, if neither of the two above is given"
    )
    balance_within_v: Positive | None = _optional(
        "after absorption, held at the target while cells differ by more than this, V; default: not held"
    )
    balance_min: Positive | None = _optional("and for so many minutes at most, min; default: 120")
    usual_cell_v: Positive | None = _optional(
        "the highest cell is charged to this only, until a full charge is due, V; default: always full"
    )
    full_every_days: Positive | None = _optional(
        "a full charge is due so many days after the last, or after the start; default: never"
    )
    full_soc_only_when_full: bool = Field(
        default=True, description="at most 99 % is shown until a full charge has ended, and while charging"
    )

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        if self.balance_min is not None and self.balance_within_v is None:
            raise wrong("balance_min without balance_within_v", "both, or neither")
        return self


class Commissioning(Section):
    """Brings a new pack of unknown state to top balance, gently. Ends by itself: once the cells of all banks,
    at their target and at a low current, have stayed together, or at its stated end. Told meanwhile."""

    until: AwareDatetime = Field(description="its end at the latest: date, time and offset")
    charge_current_a: Positive | None = _optional("most the pack is charged with meanwhile, A")
    charge_share: Share | None = _optional(
        "the same as a share of the pack's limit; default: 0.1, if neither is given"
    )
    cells_within_v: Positive = Field(default=0.010, description="wanted spread of the cells, V")
    low_current_a: Positive | None = _optional(
        "the spread counts at no more than this, A; default: a fiftieth of the banks' Ah"
    )
    steady_min: Positive = Field(default=10.0, description="and for so many minutes without a break, min")
    tell_every_min: Positive = Field(default=15.0, description="progress is told this often, min")
    shown_low_pct: Percent | None = _optional("state of charge is never shown lower meanwhile, %")
    shown_high_pct: Percent | None = _optional("never shown higher meanwhile, %")

    @model_validator(mode="after")
    def _no_two_currents(self) -> Self:
        if self.charge_current_a is not None and self.charge_share is not None:
            raise wrong("charge_current_a beside charge_share", "one of them")
        if self.charge_share == 0:
            raise wrong("charge_share 0", "above 0: nothing would ever be charged")
        window = self.window
        if window is not None and window[0] > window[1]:
            raise wrong(f"shown_low_pct {window[0]:g} and shown_high_pct {window[1]:g}", "low below high")
        return self

    @property
    def window(self) -> tuple[float, float] | None:
        """Lowest and highest state of charge shown, %; `None`: as it is."""
        low, high = self.shown_low_pct, self.shown_high_pct
        if low is None and high is None:
            return None
        return 0.0 if low is None else low, 100.0 if high is None else high
