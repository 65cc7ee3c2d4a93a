"""Leaves out what a small board need not load: parts of libraries that come along but are never used.

Measured when it was brought in, importing and loading the cabin: without this about a third more processor
time until the start (1.9 instead of 1.5 times the libraries), and 50 instead of 42 MB. See bench_start.
"""

import importlib
import importlib.util
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType


def import_part(name: str) -> ModuleType:
    """Imports `package.part` without running the front door of `package`.

    cantools' front door imports its test bench, and with it python-can and asyncio; reading a DBC file needs
    neither. A later plain import of the package works as ever.
    """
    package = name.partition(".")[0]
    if package in sys.modules:
        return importlib.import_module(name)
    spec = importlib.util.find_spec(package)
    if spec is None:
        raise ModuleNotFoundError(f"No module named {package!r}", name=package)
    sys.modules[package] = importlib.util.module_from_spec(spec)
    try:
        return importlib.import_module(name)
    finally:
        del sys.modules[package]


@contextmanager
def absent(name: str) -> Iterator[None]:
    """While it lasts, an optional module that is not loaded yet counts as not installed.

    structlog takes rich, where it is installed, to draw tracebacks; the daemon prints none.
    """
    if name in sys.modules:
        yield
        return
    sys.modules[name] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[name]
