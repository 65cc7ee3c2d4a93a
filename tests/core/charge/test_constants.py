"""The constants are documented where they are."""

import ast
from pathlib import Path

from bridge.core.charge import constants


def test_every_constant_says_its_unit_and_what_it_is_for() -> None:
    """A text follows each, and begins with the unit."""
    body = ast.parse(Path(constants.__file__).read_text(encoding="utf-8")).body
    units = ("V", "s", "1", "C", "A", "1/s", "s/s")
    for here, after in zip(body, [*body[1:], None], strict=True):
        if isinstance(here, ast.Assign | ast.AnnAssign):
            assert isinstance(after, ast.Expr), ast.unparse(here)
            assert isinstance(after.value, ast.Constant)
            first = str(after.value.value).split(".")[0].replace(" and ", ", ")
            assert all(unit in units for unit in first.split(", ")), ast.unparse(here)
