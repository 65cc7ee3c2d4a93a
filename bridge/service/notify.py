"""Tells the service manager how we are, by the protocol of sd_notify(3) and sd_watchdog_enabled(3)."""

import os
import socket
import time
from contextlib import suppress


class Notifier:
    """Speaks to the service manager named by the environment; says nothing where there is none.

    Attributes:
        watchdog_us: how often a sign of life is expected, µs; `None`: not at all. Give it at half the time.
    """

    def __init__(self, environ: dict[str, str] | None = None) -> None:
        environment = dict(os.environ) if environ is None else environ
        path = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + path[1:] if path.startswith("@") else path
        self._socket: socket.socket | None = None
        if path:
            with suppress(OSError):
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self.watchdog_us = self._watchdog(environment)

    def _watchdog(self, environment: dict[str, str]) -> int | None:
        interval, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
        if self._socket is None or (pid and pid != str(os.getpid())):
            return None
        try:
            return max(int(interval), 0) or None
        except ValueError:
            return None

    def tell(self, *lines: str) -> bool:
        """Sends assignments such as `READY=1`, at once or not at all.

        Returns:
            Whether it was taken; also where nobody asked to be told. A manager that does not listen is no
            reason to wait or to stop.
        """
        if self._socket is None:
            return True
        try:
            self._socket.sendto("\n".join(lines).encode(errors="backslashreplace"), self._address)
        except (OSError, ValueError):
            return False
        return True

    def reloading(self) -> None:
        """Says that a reload begins; `READY=1` ends it."""
        self.tell("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def close(self) -> None:
        """Lets go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
