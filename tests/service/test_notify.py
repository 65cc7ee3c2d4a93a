"""Messages to the service manager, against sd_notify(3) and sd_watchdog_enabled(3) on a real socket."""

import os
import socket
import time
from pathlib import Path

import pytest

from bridge.service.notify import Notifier


def listening(path: str) -> socket.socket:
    """A service manager's socket."""
    server = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    server.bind("\0" + path[1:] if path.startswith("@") else path)
    server.settimeout(5)
    return server


def test_assignments_arrive_in_one_datagram(tmp_path: Path) -> None:
    """All lines of one call are one message."""
    path = str(tmp_path / "notify")
    with listening(path) as server:
        notifier = Notifier({"NOTIFY_SOCKET": path})
        notifier.tell("READY=1", "STATUS=fine")
        assert server.recv(4096) == b"READY=1\nSTATUS=fine"
        notifier.close()
        notifier.tell("WATCHDOG=1")  # says nothing any more, and does not raise


def test_an_abstract_socket_is_reached() -> None:
    """A name that begins with @ is in the abstract name space."""
    path = f"@ampweir-test-{os.getpid()}"
    with listening(path) as server:
        notifier = Notifier({"NOTIFY_SOCKET": path})
        notifier.tell("WATCHDOG=1")
        assert server.recv(4096) == b"WATCHDOG=1"
        notifier.close()


def test_a_reload_carries_the_monotonic_time(tmp_path: Path) -> None:
    """Type=notify-reload asks for MONOTONIC_USEC beside RELOADING=1."""
    path = str(tmp_path / "notify")
    with listening(path) as server:
        notifier = Notifier({"NOTIFY_SOCKET": path})
        notifier.reloading()
        first, second = server.recv(4096).decode().splitlines()
        notifier.close()
    assert first == "RELOADING=1"
    assert second.startswith("MONOTONIC_USEC=")
    assert second.partition("=")[2].isdigit()


def test_the_watchdog_is_only_ours_if_the_pid_is(tmp_path: Path) -> None:
    """WATCHDOG_PID of another process means: not for us; garbage means: not at all."""
    base = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "4000000"}
    expected = {
        str(os.getpid()): 4_000_000,
        "1": None,
        "": 4_000_000,
    }
    for pid, watchdog_us in expected.items():
        notifier = Notifier({**base, "WATCHDOG_PID": pid})
        assert notifier.watchdog_us == watchdog_us
        notifier.close()
    assert Notifier({"WATCHDOG_USEC": "4000000"}).watchdog_us is None
    garbage = Notifier({**base, "WATCHDOG_USEC": "soon"})
    assert garbage.watchdog_us is None
    garbage.close()


def test_a_manager_that_does_not_read_holds_nobody_up(tmp_path: Path) -> None:
    """What does not fit is not taken, at once; what was taken arrives once it reads again."""
    path = str(tmp_path / "notify")
    with listening(path) as server:
        notifier = Notifier({"NOTIFY_SOCKET": path})
        begin_s = time.monotonic()
        taken = [notifier.tell(f"STATUS={number}") for number in range(2000)]
        assert time.monotonic() - begin_s < 5.0
        assert taken[0]
        assert not taken[-1]
        assert server.recv(4096) == b"STATUS=0"
        assert notifier.tell("WATCHDOG=1")
        notifier.close()


def test_strange_surroundings_are_no_reason_to_stop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A path that is none, a number that is none, no socket to be had, letters that cannot be sent."""
    for number in ("\u00b2", "9" * 5000, "-5", "1e6", ""):
        assert Notifier({"NOTIFY_SOCKET": str(tmp_path / "n"), "WATCHDOG_USEC": number}).watchdog_us is None
    for path in ("x" * 300, "relative", "@", "a\0b", "\udcff"):
        notifier = Notifier({"NOTIFY_SOCKET": path})
        assert not notifier.tell("READY=1", "STATUS=\udcff \u2013")
        notifier.close()

    def no_more(*_: object) -> socket.socket:
        raise OSError(24, "Too many open files")

    monkeypatch.setattr(socket, "socket", no_more)
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "n"), "WATCHDOG_USEC": "4000000"})
    assert notifier.watchdog_us is None
    assert notifier.tell("READY=1")


def test_a_manager_that_is_gone_is_no_reason_to_stop(tmp_path: Path) -> None:
    """A send that fails is swallowed: the pack matters more."""
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")})
    notifier.tell("READY=1")
    notifier.close()
