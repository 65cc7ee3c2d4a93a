"""Draw the message definitions of the example sites: `python dbc_own/draw.py [--check]`.

What each message says is written down in `sites.py`; identifiers, coding and the place of every signal
are drawn here from a seeded generator, so that no layout is remembered from anywhere. The same seed
always gives the same files. `--check` writes nothing and ends with 1 if a file differs from the draw.
"""

import argparse
import random
import sys
from pathlib import Path
from typing import NamedTuple

from sites import FILES, Code, Field, File, Message

HOME = Path(__file__).resolve().parent
BITS = 64
ATTEMPTS = 100_000
# Ranges that carry diagnostics on many buses (ISO 15765-4) are left out of both draws.
NARROW_IDS = range(0x080, 0x700)
WIDE_IDS = range(0x0100_0000, 0x1800_0000)


class Placed(NamedTuple):
    """Where a field went: its code, the pages it shows on, and its first bit in the order of sending."""

    field: Field
    code: Code
    pages: dict[str, int]
    start: int

    def meets(self, other: "Placed") -> bool:
        """Return whether both are ever in one frame and share a bit."""
        if any(other.pages.get(name, page) != page for name, page in self.pages.items()):
            return False
        return self.start < other.start + other.code.bits and other.start < self.start + self.code.bits


class Draw:
    """A seeded source of choices, built on `random()` alone: its sequence is the same in every Python."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed).random

    def below(self, count: int) -> int:
        """Return a whole number from 0 to `count` - 1."""
        return int(self._random() * count)

    def happens(self, share: float) -> bool:
        """Return True in the given share of all draws."""
        return self._random() < share

    def shuffled(self, count: int) -> list[int]:
        """Return the numbers from 0 to `count` - 1 in a drawn order."""
        numbers = list(range(count))
        for last in range(count - 1, 0, -1):
            other = self.below(last + 1)
            numbers[last], numbers[other] = numbers[other], numbers[last]
        return numbers


def pages_of(field: Field, message: Message) -> dict[str, int]:
    """Return the page that each chooser must show for a field to be there."""
    pages: dict[str, int] = {}
    while field.page is not None:
        pages[field.chosen_by] = field.page
        field = next(parent for parent in message.fields if parent.name == field.chosen_by)
    return pages


def _starts(field: Field, code: Code, taken: list[Placed], pages: dict[str, int]) -> list[int]:
    step = 8 if field.aligned or code.bits % 8 == 0 else 1
    tries = (Placed(field, code, pages, start) for start in range(0, BITS - code.bits + 1, step))
    return [one.start for one in tries if not any(one.meets(other) for other in taken)]


def place(draw: Draw, message: Message, codes: dict[str, Code]) -> list[Placed]:
    """Return a drawn place for every field of a message, free of overlaps.

    Fields on a page close up to what is there already, so that four cells fit; the others go anywhere.
    """
    for _ in range(ATTEMPTS):
        taken: list[Placed] = []
        order = range(len(message.fields)) if message.ordered else draw.shuffled(len(message.fields))
        for field in sorted((message.fields[n] for n in order), key=lambda one: one.page is not None):
            code = codes[field.family or field.name]
            pages = pages_of(field, message)
            starts = _starts(field, code, taken, pages)
            if not starts:
                break
            close = message.ordered or field.page is not None
            taken.append(Placed(field, code, pages, starts[0 if close else draw.below(len(starts))]))
        else:
            return taken
    raise SystemExit(f"{message.name}: its fields do not fit into {BITS} bits")


def draw_codes(draw: Draw, file: File) -> dict[str, Code]:
    """Return one code for each family of signals in a file, wide enough for every range in it."""
    fields: dict[str, list[Field]] = {}
    for message in file.messages:
        for field in message.fields:
            fields.setdefault(field.family or field.name, []).append(field)
    codes: dict[str, Code] = {}
    for family, members in fields.items():
        wide = [code for code in members[0].codes if all(code in m.codes and holds(code, m) for m in members)]
        if not wide:
            raise SystemExit(f"{file.name}.dbc: no code of {family} holds its range")
        codes[family] = wide[draw.below(len(wide))]
    return codes


def holds(code: Code, field: Field) -> bool:
    """Return whether a code reaches both ends of the range of a field."""
    if code.float32:
        return True
    bottom, top = (
        (-(2 ** (code.bits - 1)), 2 ** (code.bits - 1) - 1) if code.signed else (0, 2**code.bits - 1)
    )
    ends = sorted(raw * float(code.factor) + float(code.offset) for raw in (bottom, top))
    return ends[0] <= field.low and field.high <= ends[1]


def signal_line(placed: Placed, numbers: dict[str, list[int]], intel: bool, receiver: str) -> str:
    """Return the SG_ line of a signal; `numbers` holds the drawn page numbers of each chooser."""
    field, code, _, start = placed
    # Motorola signals are named by their highest bit, and bits count down within a byte.
    bit = start if intel else 8 * (start // 8) + 7 - start % 8
    mark = "" if field.page is None else f"m{numbers[field.chosen_by][field.page]}"
    mark += "M" if field.chooser else ""
    coding = f"{bit}|{code.bits}@{int(intel)}{'-' if code.signed else '+'} ({code.factor},{code.offset})"
    return (
        f" SG_ {field.name}{' ' + mark if mark else ''} : {coding} [{field.low:g}|{field.high:g}]"
        f' "{field.unit}" {receiver}'
    )


def draw_message(
    draw: Draw, file: File, message: Message, codes: dict[str, Code], key: int
) -> list[list[str]]:
    """Return the lines of one message, sorted into its sections: definition, comments, and so on."""
    intel = draw.happens(file.intel)
    receiver = next(node for node in file.nodes if node != message.sender)
    numbers = {
        field.name: sorted(draw.shuffled(2 ** codes[field.name].bits)[:6])
        for field in message.fields
        if field.chooser
    }
    placed = place(draw, message, codes)
    lines = [f"BO_ {key} {message.name}: 8 {message.sender}"]
    lines += [signal_line(one, numbers, intel, receiver) for one in placed]
    comments = [f'CM_ BO_ {key} "{message.comment}";']
    comments += [f'CM_ SG_ {key} {one.field.name} "{one.field.comment}";' for one in placed]
    cycles = [f'BA_ "GenMsgCycleTime" BO_ {key} {message.cycle_ms};']
    values = [f"VAL_ {key} {one.field.name} {one.field.values} ;" for one in placed if one.field.values]
    floats = [f"SIG_VALTYPE_ {key} {one.field.name} : 1;" for one in placed if one.code.float32]
    nested = any(len(one.pages) > 1 for one in placed)
    choices = [
        f"SG_MUL_VAL_ {key} {field.name} {field.chosen_by} {page}-{page};"
        for field in (one.field for one in placed if nested and one.field.page is not None)
        for page in [numbers[field.chosen_by][field.page or 0]]
    ]
    return [[*lines, ""], comments, cycles, values, floats, choices]


def draw_file(file: File) -> str:
    """Return the text of one DBC file."""
    draw = Draw(file.seed)
    codes = draw_codes(draw, file)
    keys: list[int] = []
    while len(keys) < len(file.messages):
        ids = WIDE_IDS if file.extended else NARROW_IDS
        key = ids[draw.below(len(ids))] | (0x8000_0000 if file.extended else 0)
        if key not in keys:
            keys.append(key)
    parts = [
        draw_message(draw, file, message, codes, key)
        for message, key in zip(file.messages, keys, strict=True)
    ]
    bodies, comments, cycles, values, floats, choices = (
        [line for part in parts for line in part[n]] for n in range(6)
    )
    head = ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(file.nodes)}", ""]
    seed = f'CM_ "Drawn by dbc_own/draw.py from seed {file.seed}; change sites.py, not this file.";'
    attributes = ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;', 'BA_DEF_DEF_ "GenMsgCycleTime" 0;']
    return "\n".join([*head, *bodies, seed, *comments, *attributes, *cycles, *values, *floats, *choices, ""])


def main() -> int:
    """Write the files, or compare them with the draw; return the exit code."""
    parser = argparse.ArgumentParser(description="Draw the message definitions of the example sites.")
    parser.add_argument("--check", action="store_true", help="write nothing; end with 1 if a file differs")
    checking = parser.parse_args().check
    differing = 0
    for file in FILES:
        path = HOME / f"{file.name}.dbc"
        text = draw_file(file)
        if not checking:
            path.write_text(text, encoding="utf-8", newline="\n")
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            print(f"{path}: not what dbc_own/draw.py draws", file=sys.stderr)
            differing = 1
    return differing


if __name__ == "__main__":
    sys.exit(main())
