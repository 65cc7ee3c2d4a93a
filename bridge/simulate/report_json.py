"""A simulated day for programs: a JSON text."""

import json
from typing import Any

from bridge.quantities import LIMITS
from bridge.replay.phrases import because
from bridge.simulate.oracle import Watch
from bridge.simulate.phrases import setup_lines, verdict_of
from bridge.simulate.record import Extreme
from bridge.simulate.simulate import Day


def as_json(day: Day) -> str:
    """The same for programs: a JSON text. Times are in seconds since the start."""
    record, setup, comparison = day.record, day.setup, day.comparison

    def since(t_us: int | None) -> float | None:
        return None if t_us is None else (t_us - setup.start_us) / 1e6

    limits, states_us = record.stats()
    result: dict[str, Any] = {
        "profile": str(day.loaded.path),
        "setup": setup_lines(day),
        "verdict": verdict_of(day)[0].lower(),
        "tripped": day.tripped,
        "full_s": since(record.turns.full_us),
        "empty_s": since(record.turns.empty_us),
        "highest_cell": _extreme(record.highest, since(record.highest.t_us)),
        "lowest_cell": _extreme(record.lowest, since(record.lowest.t_us)),
        "over_target_v": record.over_target.most_v,
        "under_floor_v": record.under_floor.most_v,
        "charged": {
            "ah": record.charged.ah,
            "kwh": record.charged.kwh,
            "missed_ah": record.charged.missed_ah,
        },
        "drawn": {"ah": record.drawn.ah, "kwh": record.drawn.kwh, "missed_ah": record.drawn.missed_ah},
        "bled_ah": day.bled_ah,
        "circulated": {"a": record.circulated[0], "s": since(record.circulated[1] or None)},
        "stored_ah": list(day.stored_ah),
        "apart_ah": list(day.apart_ah),
        "near_target_s": record.near_us / 1e6,
        "cells_c": [record.coldest_c, record.hottest_c],
        "states_s": {state.name.lower(): us / 1e6 for state, us in states_us.items()},
        "reasons_s": {
            name: {because(*reason): us / 1e6 for reason, us in limits[name].reasons_us.items()}
            for name in LIMITS
        },
        "turns": [{"s": since(turn.t_us), "text": turn.text} for turn in record.turns.found],
    }
    if comparison is not None:
        watch = comparison.watch
        result["oracle"] = {
            "compared_s": since(comparison.ref_us),
            "taken_ah": comparison.taken_ah,
            "most_s": [since(us) for us in comparison.most_us] if comparison.most_us else None,
            "charged_ah": watch.oracle.charged_ah,
            "drawn_ah": watch.oracle.drawn_ah,
            "drawn_kwh": watch.oracle.drawn_kwh,
            "behind_charging": _costs(watch, charging=True),
            "behind_drawing": _costs(watch, charging=False),
            "ahead_ah": {"charging": watch.ahead_ah[True], "drawing": watch.ahead_ah[False]},
        }
    return json.dumps(result, indent=2, allow_nan=False)


def _extreme(extreme: Extreme, since_s: float | None) -> dict[str, Any]:
    return {"v": extreme.voltage_v, "s": since_s, "bank": extreme.bank, "cell": extreme.cell}


def _costs(watch: Watch, *, charging: bool) -> dict[str, dict[str, float]]:
    return {
        text: {"ah": cost.ah, "s": cost.us / 1e6}
        for (way, text), cost in watch.behind.items()
        if way is charging
    }
