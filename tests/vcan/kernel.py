"""Runs a command under a real Linux kernel with CAN, as an ordinary process on a machine without.

Debian's package user-mode-linux holds a Linux kernel that is a program. Its root is the host's file system
below a throw-away overlay, so the interpreter and the checkout are where they are on the host. vcan0 and
vcan1 are up. It has one processor, time in it is real, and system calls are slow.

    python -m tests.vcan.kernel COMMAND ...    runs a command in it, from the current folder
"""

import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

INSIDE: Final = "AMPWEIR_INSIDE_KERNEL"
"""Environment variable that is set inside the userspace kernel, and only there."""

HUNG: Final = 125
"""Exit status of a run that did not end in time, or of a kernel that did not start."""

_PARTS: Final = (
    ("linux.uml", "user-mode-linux"),
    ("ip", "iproute2"),
    ("insmod", "kmod"),
    ("candump", "can-utils"),
    ("cangen", "can-utils"),
    ("cansend", "can-utils"),
    ("systemctl", "systemd"),
)
_PATH: Final = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
_MEMORY: Final = "768M"


class KernelRun(NamedTuple):
    """How a run ended.

    Attributes:
        status: exit status of the command, or `HUNG`.
        log: what the command printed.
        console: what the kernel printed.
    """

    status: int
    log: str
    console: str


def missing_parts() -> list[str]:
    """Packages that must be installed before a run is possible."""
    return sorted({package for program, package in _PARTS if shutil.which(program, path=_PATH) is None})


def run_inside(command: Sequence[str], out: Path, timeout_s: float, *, systemd: bool = False) -> KernelRun:
    """Boot the kernel, run a command in the current folder, and wait for both to end.

    Args:
        command: program and arguments.
        out: an existing folder; what the command writes below it is kept, everything else it writes is lost.
        timeout_s: seconds of real time until the kernel is killed.
        systemd: the command runs as a service of a real systemd.
    """
    out = out.resolve()
    init = out / "init"
    shutil.copy(Path(__file__).with_name("init"), init)
    (out / "run").write_text(
        f"cd {shlex.quote(os.getcwd())}\n"
        f"export {INSIDE}=1 PYTHONDONTWRITEBYTECODE=1 HOME=/root PATH={_PATH}\n"
        f"exec {shlex.join(command)}\n"
    )
    for result in ("log", "rc"):
        (out / result).unlink(missing_ok=True)
    kernel = [f"{shutil.which('linux.uml', path=_PATH)}", f"mem={_MEMORY}", "root=/dev/root"]
    kernel += ["rootfstype=hostfs", "rootflags=/", "rw", f"init={init}", f"out={out}"]
    kernel += ["con=null", "con0=null,fd:1", "quiet", *(["manager=systemd"] if systemd else [])]
    with (out / "console").open("wb") as console:
        # The kernel is several processes: a session of its own lets all of them be ended together.
        started = subprocess.Popen(
            kernel, stdin=subprocess.DEVNULL, stdout=console, stderr=console, start_new_session=True
        )
        try:
            started.wait(timeout_s)
        except subprocess.TimeoutExpired:
            pass
        finally:
            _end_session(started)
    status = _read(out / "rc").strip()
    return KernelRun(int(status) if status else HUNG, _read(out / "log"), _read(out / "console"))


def _end_session(started: "subprocess.Popen[bytes]") -> None:
    if started.poll() is None:
        os.killpg(started.pid, 9)
        started.wait()


def _read(path: Path) -> str:
    return path.read_text(errors="replace") if path.exists() else ""


def main() -> int:
    """Run the command line's command inside, print what it printed, return its status."""
    if missing := missing_parts():
        print(f"install first: {' '.join(missing)}", file=sys.stderr)
        return HUNG
    with tempfile.TemporaryDirectory(prefix="kernel-") as out:
        run = run_inside(sys.argv[1:], Path(out), timeout_s=300)
    print(run.log, end="")
    if run.status == HUNG:
        print(run.console, file=sys.stderr)
    return run.status


if __name__ == "__main__":
    sys.exit(main())
