"""What the running daemon says: one readable line per change, for a terminal or a log."""

import json
from collections.abc import Callable, MutableMapping
from enum import Enum
from typing import Any, Final, Protocol

from bridge import words
from bridge.core.engine import Note
from bridge.core.failsafe.machine import WAITING
from bridge.core.plan.reasons import Limit, Reason
from bridge.core.told.decision import Decision
from bridge.lean import absent
from bridge.service.seam import BusNotice, NoticeKind

with absent("rich"):
    import structlog

STEPS: Final = {
    "charge_voltage_limit": 0.25,
    "charge_current_limit": 0.05,
    "discharge_current_limit": 0.05,
    "discharge_voltage_floor": 0.25,
}
"""A limit is told again when it moved this far: V, or (currents) as a share of the largest value told."""

QUIET_US: Final = 2_000_000
"""A limit that only moves (its reason unchanged) is told at most this often."""

LASTS_US: Final = 60_000_000
"""A reason that has bound a limit for so long is told even where the limit has hardly moved for it."""

REPEAT_US: Final = 60_000_000
"""The same refusal of the same source is told at most this often, with the number of repeats."""


CAUSE_US: Final = 2_000_000
MOST_CAUSE_US: Final = 600_000_000
"""Another reason not to follow is told so long after the last, then after twice as long, up to this."""

_SHAPED: Final = frozenset((Reason.RISING, Reason.NOT_WORTH_IT))


class Worth(Enum):
    """Whether a limit is worth a line: now, later if it stays as it is, or not before it changes."""

    NOW = "now"
    LATER = "later"
    NEVER = "never"


class Logger(Protocol):
    """The part of a structlog logger that is used."""

    def info(self, event: str, **values: Any) -> Any:
        """Something normal."""

    def warning(self, event: str, **values: Any) -> Any:
        """Something to look at."""

    def error(self, event: str, **values: Any) -> Any:
        """Something that keeps frames from leaving or data from being trusted."""


def make_logger(form: str = "auto", write: Callable[[str], object] | None = None) -> Logger:
    """A structlog logger.

    Args:
        form: `plain` (for people; the default), `json` (a line each), `auto`: plain.
        write: takes each finished line; by default it is printed.
    """

    def out(line: str) -> None:
        if write is not None:
            write(line)
        else:
            print(line, flush=True)

    class _Out:
        info = warning = error = debug = critical = msg = staticmethod(out)

    renderer: Any = structlog.processors.JSONRenderer(allow_nan=False) if form == "json" else _plain
    logger = structlog.wrap_logger(
        _Out(),
        processors=[structlog.processors.add_log_level, renderer],
        wrapper_class=structlog.BoundLogger,
        context_class=dict,
        cache_logger_on_first_use=True,
    )
    return logger  # type: ignore[no-any-return]


def _plain(_: Any, __: str, event: MutableMapping[str, Any]) -> str:
    """`mark clock event  key=value`: the text first, then what a program might want."""
    level = event.pop("level", "info")
    text = str(event.pop("event"))
    clock = event.pop("clock", None)
    mark = {"warning": "! ", "error": "!! "}.get(level, "")
    rest = " ".join(f"{key}={value}" for key, value in event.items())
    return " ".join(part for part in (clock, f"{mark}{text}", f"[{rest}]" if rest else "") if part)


def dropped(form: str) -> Callable[[int], str]:
    """Words for a number of lines that nobody took, in the form of the others."""
    text = "{} lines were dropped: nobody took them"
    if form == "json":
        return lambda count: json.dumps({"event": text.format(count), "level": "warning"})
    return f"! {text}".format


class Journal:
    """Tells what changed. Pure rendering: it decides nothing.

    Args:
        logger: where to.
        clock: turns engine time into what is printed in front of a line; "" for nothing.
    """

    def __init__(self, logger: Logger, clock: Callable[[int], str] = lambda _: "") -> None:
        self._log = logger
        self._clock = clock
        self._told: dict[str, tuple[Limit, int]] = {}
        self._since: dict[str, tuple[Reason, str, int]] = {}
        self._seen: Decision | None = None
        self._waits = True
        self._cause, self._cause_us, self._cause_gap_us = "", 0, CAUSE_US
        self._repeats: dict[tuple[str, str], tuple[int, int]] = {}

    def say(self, t_us: int, text: str, level: str = "info", **values: Any) -> None:
        """One line."""
        clock = self._clock(t_us)
        extra = {"clock": clock} if clock else {}
        getattr(self._log, level)(text, **extra, **values)

    def decision(self, decision: Decision) -> None:
        """Tells changes of state, of warnings, and of limits that moved or are bound by something else."""
        t_us, seen, self._seen = decision.t_us, self._seen, decision
        before = () if seen is None else seen.warnings
        if seen is None or decision.state is not seen.state:
            level = "info" if decision.state <= 1 else "warning"
            self.say(t_us, words.state_line(decision), level, state=decision.state.name.lower())
            self._cause, self._cause_us, self._cause_gap_us = decision.cause, t_us + CAUSE_US, CAUSE_US
        elif decision.cause != self._cause and t_us >= self._cause_us and WAITING not in decision.cause:
            self.say(t_us, f"still {decision.state.name.lower()}: {decision.cause}")
            self._cause_gap_us = min(2 * self._cause_gap_us, MOST_CAUSE_US)
            self._cause, self._cause_us = decision.cause, t_us + self._cause_gap_us
        elif not self._waits and decision.warnings is before and not decision.limits_differ(seen):
            return
        for warning in decision.warnings:
            if warning not in before:
                self.say(t_us, warning, "warning")
        for warning in before:
            if warning not in decision.warnings:
                self.say(t_us, f"no longer: {warning}")
        self._waits = False
        for name, limit in decision.limits.items():
            worth = self._worth_telling(name, limit, t_us)
            if worth is Worth.NOW:
                self._told[name] = (limit, t_us)
                self.say(t_us, words.limit_line(name, limit))
            elif worth is Worth.LATER:
                self._waits = True

    def _worth_telling(self, name: str, limit: Limit, t_us: int) -> Worth:
        reason, bank = limit.binding.reason, limit.binding.bank
        since = self._since.get(name)
        if since is None or since[:2] != (reason, bank):
            self._since[name] = since = reason, bank, t_us
        before = self._told.get(name)
        if before is None:
            return Worth.NOW
        old, told_us = before
        step = STEPS[name]
        if name.endswith("current_limit"):
            step *= max(limit.value, old.value, 1.0)
        moved = abs(limit.value - old.value)
        if (reason, bank) != (old.binding.reason, old.binding.bank):
            # On the way up the reason flips with every small rise: then only a real move is news.
            idle = not _SHAPED.isdisjoint((reason, old.binding.reason))
            lasts = reason not in _SHAPED and t_us - since[2] >= LASTS_US
            if moved >= step / 2 or lasts or (not idle and t_us - told_us >= 5 * QUIET_US):
                return Worth.NOW
            return Worth.NEVER if idle and reason in _SHAPED else Worth.LATER
        if moved < step:
            return Worth.NEVER
        return Worth.NOW if t_us - told_us >= QUIET_US else Worth.LATER

    def note(self, note: Note) -> None:
        """Tells what happened in the core; the same thing again only now and then, with its count."""
        if note.kind == "told":
            self.say(note.t_us, f"{note.subject}: {note.text}")
            return
        key = (note.kind, note.subject)
        since, count = self._repeats.get(key, (-REPEAT_US, 0))
        if note.t_us - since < REPEAT_US:
            self._repeats[key] = (since, count + 1)
            return
        self._repeats[key] = (note.t_us, 0)
        level = {"withheld": "error", "waiting": "info"}.get(note.kind, "warning")
        more = {"repeats": count} if count else {}
        self.say(note.t_us, f"{note.kind}: {note.text}", level, **more)

    def notice(self, t_us: int, notice: BusNotice) -> None:
        """Tells what happened to a bus."""
        good = notice.kind in (NoticeKind.UP, NoticeKind.QUEUE_OK, NoticeKind.RESTARTED)
        self.say(
            t_us, f"bus {notice.bus}: {notice.text}", "info" if good else "warning", kind=notice.kind.value
        )

    def status(self, decision: Decision) -> None:
        """The status line."""
        self.say(decision.t_us, words.status_line(decision))
