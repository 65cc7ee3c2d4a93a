"""The drill on a real interface: the program as a process of its own, in real time.

The simulated monitors and inverters of this process talk to it through raw sockets. What cannot be done to a
real interface, or may not be done to this machine, is skipped with a reason.
"""

import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from itertools import takewhile
from pathlib import Path
from typing import Final

from bridge.core.plan.plan import SECOND_US
from bridge.drill.fault import DIRECTION, TINY, Fault
from bridge.drill.result import DrillReport, Outcome, Result, without
from bridge.drill.stage import BAD_PROFILE, NotFeasible, Stage, build_site, heal_site
from bridge.drill.table import Progress, chosen, fault_table
from bridge.drill.toml import on_channels
from bridge.drill.watch import NEVER_US, Watch
from bridge.errors import BusError
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.profile.load import LoadedProfile
from bridge.quantities import LIMITS
from bridge.service.bus import Bus, open_bus
from bridge.simulate.coder import Library

LATE_S: Final = 0.5
"""A frame is seen at most so long after its deadline: two processes, two queues, and a scheduler."""

START_S: Final = 20.0
"""A process that was started again may take so long until its first frame."""

LISTEN_S: Final = 2.0
"""So long it must be quiet on the interfaces before the drill sends anything."""

REBUILD_S: Final = 4.0
"""So much longer a recovery may take: an interface that is up again is tried every 2 s."""

LOOK_S: Final = 0.05


def run_drill_on_bus(
    loaded: LoadedProfile,
    channels: dict[str, str],
    *,
    only: tuple[str, ...] = (),
    progress: Progress | None = None,
) -> DrillReport:
    """Runs every fault that can be injected there against the program on real SocketCAN interfaces.

    Args:
        loaded: the profile.
        channels: interface of each bus of the profile; several buses may share one.
        only: faults whose name contains one of these; all if there are none.
        progress: is told each result as it comes, and of how many it is which.

    Asked to stop (KeyboardInterrupt), it returns what there is by then.

    Raises:
        BusError: an interface cannot be opened, or a pack, inverter or bridge is at work there.
    """
    library = Library()
    results = []
    faults = [fault for fault in fault_table(loaded, library) if chosen(fault.name, only)]
    with tempfile.TemporaryDirectory(prefix="drill-") as folder:
        stage = BusStage(loaded, channels, library, Path(folder))
        try:
            with suppress(KeyboardInterrupt):
                for fault in faults:
                    result = stage.run(fault)
                    results.append(result)
                    if progress is not None:
                        progress(result, len(results), len(faults))
        finally:
            stage.close()
    where = ", ".join(dict.fromkeys(channels.values()))
    return DrillReport(loaded.plan.name, where, tuple(results), len(faults))


class BusStage(Stage):
    """A stage for all faults, one after the other: the process goes on from one to the next.

    Args:
        loaded: the profile.
        channels: interface of each bus.
        library: message definitions already read.
        folder: for the profile with these channels, and for what the process says.
    """

    def __init__(
        self, loaded: LoadedProfile, channels: dict[str, str], library: Library, folder: Path
    ) -> None:
        self._offset_us = time.time_ns() // 1000 - time.monotonic_ns() // 1000
        super().__init__(loaded, build_site(loaded, self.now_us(), library))
        self._channels = channels
        self._profile = folder / "profile.toml"
        self._profile.write_text(on_channels(loaded.path, channels))
        self._log = folder / "log"
        self._watch: Watch | None = None
        self._restarting = False
        self._actions: list[tuple[int, Callable[[], None]]] = []
        self._buses: dict[str, Bus] = {}
        self._process: subprocess.Popen[bytes] | None = None
        try:
            self._open(channels)
        except BaseException:
            self.close()
            raise
        self._start()

    def _open(self, channels: dict[str, str]) -> None:
        """Opens all buses, and listens: where a pack or an inverter is at work already, nothing may be sent.

        Raises:
            BusError: an interface cannot be opened, or is in use.
        """
        plan = self.loaded.plan
        for name, channel in channels.items():
            sent = frozenset(t.layout.key for t in plan.transmissions if t.bus == name)
            heard = frozenset(source.key for source in plan.sources if source.bus == name)
            self._buses[name] = open_bus(BusConfig(name, "socketcan", channel, keys=sent | heard))
        end_us = self.now_us() + round(LISTEN_S * SECOND_US)
        while self.now_us() < end_us:
            time.sleep(LOOK_S)
            for name, bus in self._buses.items():
                frames, _ = bus.read()
                if frames:
                    raise BusError(
                        f"{channels[name]}: {frames[0]} is being sent there already; "
                        f"allowed: an interface without a pack, inverter or bridge at work"
                    )

    def now_us(self) -> int:
        """See `Stage.now_us`."""
        return time.monotonic_ns() // 1000 + self._offset_us

    def close(self) -> None:
        """Ends the process, and lets go of the interfaces."""
        self.slides.heal()
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.terminate()
            try:
                self._process.wait(5.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        for bus in self._buses.values():
            bus.close()

    # ── one fault ───────────────────────────────────────────────────────────────────────────────────

    def run(self, fault: Fault) -> Result:
        """Rehearses a fault."""
        if fault.why_not:
            return without(fault, Outcome.NOT_APPLICABLE, fault.why_not)
        watch = Watch(self.loaded.plan, self.site, fault, LATE_S, patient=False)
        if self._ended():
            self._start()
        steady_s = self.budget.warm_s + START_S
        if not self._wait_until(self._steady, steady_s):
            watch.wrong.append(f"no healthy start within {steady_s:.0f} s: {self._last_line()}")
            return watch.result([])
        said = self._log.stat().st_size
        self._watch = watch
        watch.act_us = self.now_us() + round(fault.acts_after_s * SECOND_US)
        watch.begin()
        try:
            fault.inject(self)
        except NotFeasible as why:
            self._watch = None
            return without(fault, Outcome.SKIPPED, str(why))
        if fault.self_heals:
            self.later(fault.acts_after_s, lambda: watch.over(self.now_us()))
        lasts_s = max(fault.lasts_s, watch.longest_s + LATE_S + 0.5)
        span_s = self.watched_s(lasts_s, back_at_once=fault.self_heals and fault.lost)
        longest_s = fault.acts_after_s + span_s + START_S
        self._wait_until(lambda: self.now_us() >= watch.act_us + span_s * SECOND_US, longest_s)
        watch.healed(self.now_us())
        heal_site(self.site)
        self.slides.heal()
        if not fault.self_heals:
            watch.over(self.now_us())
        self._wait_until(watch.recovered, fault.acts_after_s + self.budget.recovery_s + REBUILD_S)
        self._watch = None
        for view in self.site.views.values():
            view.heal()
        return watch.result(self._log.read_bytes()[said:].decode(errors="replace").splitlines())

    def _steady(self) -> bool:
        """Whether every inverter has been told nearly the same limits, with currents above zero, for longer
        than a bank that is back has to wait; at half the frames that were due, or more.
        """
        limits = self.loaded.plan.limits
        now_us = self.now_us()
        span_s = self.budget.steady_s + 3 * self.budget.tell_s + LATE_S
        for listener in self.site.listeners:
            recent = [
                *takewhile(lambda one: now_us - one.t_us <= span_s * SECOND_US, reversed(listener.seen))
            ]
            for name in LIMITS:
                told = [one.values[name] for one in recent if name in one.values]
                drift = limits.current_deadband_a if name in DIRECTION else limits.voltage_deadband_v
                if name in listener.latest and not (
                    len(told) >= 0.5 * span_s / self.budget.tell_s
                    and min(told) > 0.0
                    and max(told) - min(told) <= 2 * drift + TINY
                ):
                    return False
            if listener.timed_out(now_us):
                return False
        return True

    def _wait_until(self, done: Callable[[], bool], longest_s: float) -> bool:
        """Lets time pass until something is so, or for a time; returns whether it is so."""
        end_us = self.now_us() + round(longest_s * SECOND_US)
        while not done():
            if self.now_us() >= end_us or self._ended():
                return False
            self._turn()
        return True

    def _ended(self) -> bool:
        """Whether the process has ended by itself; that is a failure of its own."""
        if self._process is None or self._process.poll() is None:
            return False
        if self._watch is not None:
            self._watch.wrong.append(f"the program ended: {self._last_line()}")
        return True

    def _turn(self) -> None:
        """One wait for frames, and all that is due by then."""
        wait_s = min(LOOK_S, max(0.0, (self.site.next_us - self.now_us()) / SECOND_US))
        readable = [number for bus in self._buses.values() if (number := bus.fileno()) is not None]
        select.select(readable, [], [], wait_s)
        now_us = self.now_us()
        for bus in self._buses.values():
            frames, _ = bus.read()
            if frames and self._restarting and self._process is not None and self._watch is not None:
                self._restarting = False
                self._watch.act_us = now_us
                self._watch.over(now_us)
            for frame in frames:
                self.site.hear(now_us, frame)
                if self._watch is not None:
                    self._watch.sent(now_us, frame, None)
            bus.tend(now_us)
        for frame in self.site.advance(now_us):
            self._say(frame)
        due = [action for at_us, action in self._actions if at_us <= now_us]
        self._actions = [one for one in self._actions if one[0] > now_us]
        for action in due:
            action()
        if self._watch is not None and now_us < self._watch.healed_us:
            self._watch.look(now_us)

    def _say(self, frame: Frame) -> None:
        with suppress(BusError):  # the interface is down, or full: a device on the bus could not send either
            self._buses[frame.bus].send(frame)

    def later(self, seconds: float, action: Callable[[], None]) -> None:
        """See `Stage.later`."""
        self._actions.append((self.now_us() + round(seconds * SECOND_US), action))

    # ── the process ─────────────────────────────────────────────────────────────────────────────────

    def _start(self) -> None:
        with self._log.open("ab") as log:
            command = [sys.executable, "-m", "bridge", "run", str(self._profile)]
            command += ["--status-every", "0", "--state", str(self._profile.parent / "state")]
            self._process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)

    def _last_line(self) -> str:
        lines = self._log.read_text(errors="replace").splitlines() if self._log.exists() else []
        return lines[-1] if lines else "the program said nothing"

    def _running(self) -> "subprocess.Popen[bytes]":
        if self._process is None:
            raise NotFeasible("the program does not run")
        return self._process

    # ── what a fault may do ─────────────────────────────────────────────────────────────────────────

    def fill_queue(self, bus: str, seconds: float) -> None:  # noqa: ARG002
        """See `Stage.fill_queue`."""
        raise NotFeasible("the queue of a real interface cannot be filled on purpose")

    def bus_off(self, bus: str, seconds: float) -> None:  # noqa: ARG002
        """See `Stage.bus_off`."""
        raise NotFeasible("no controller here can be taken off its bus")

    def take_down(self, bus: str) -> None:
        """See `Stage.take_down`."""
        channel = self._channels[bus]
        if list(self._channels.values()).count(channel) > 1:
            raise NotFeasible(f"{channel} carries several buses of the profile")
        if os.geteuid() != 0:
            raise NotFeasible("needs root")
        _set_link(channel, "down")
        self.slides.on_heal(lambda: _set_link(channel, "up"))

    def stall(self, seconds: float) -> None:
        """See `Stage.stall`."""
        process = self._running()
        process.send_signal(signal.SIGSTOP)
        self.later(seconds, lambda: process.send_signal(signal.SIGCONT))

    def kill(self, dead_s: float) -> None:
        """See `Stage.kill`. The fault acts when the first frame of the new process comes."""
        process, self._process = self._running(), None
        process.kill()
        process.wait()
        watch = self._watch
        if watch is None:
            return
        watch.forget()
        watch.act_us = NEVER_US
        self._restarting = True
        self.later(dead_s, self._start)

    def crash(self, dead_s: float) -> None:  # noqa: ARG002
        """See `Stage.crash`."""
        raise NotFeasible("nothing inside a process of its own can be made to fail on purpose")

    def deafen(self) -> None:
        """See `Stage.deafen`."""
        raise NotFeasible("its lines go to a file of the drill's own")

    def clog(self) -> None:
        """See `Stage.clog`."""
        raise NotFeasible("its lines go to a file of the drill's own")

    def fail_disk(self) -> None:
        """See `Stage.fail_disk`."""
        raise NotFeasible("this machine's disk is left alone")

    def hang_driver(self, bus: str, seconds: float) -> None:  # noqa: ARG002
        """See `Stage.hang_driver`."""
        raise NotFeasible("the driver of a real interface cannot be made to hang on purpose")

    def reload_moved(self, bus: str) -> None:  # noqa: ARG002
        """See `Stage.reload_moved`."""
        raise NotFeasible("no other interface is known that nobody uses")

    def speak_as_bridge(self, frame: Frame) -> None:
        """See `Stage.speak_as_bridge`."""
        self._say(frame)

    def step_wall_clock(self, seconds: float) -> None:  # noqa: ARG002
        """See `Stage.step_wall_clock`."""
        raise NotFeasible("this machine's clock is left alone")

    def reload_bad(self) -> None:
        """See `Stage.reload_bad`."""
        good = self._profile.read_bytes()

        def restore() -> None:
            self._profile.write_bytes(good)

        self._profile.write_bytes(good + BAD_PROFILE)
        self.slides.on_heal(restore)
        self._running().send_signal(signal.SIGHUP)

    def reload_tighter(self) -> None:
        """See `Stage.reload_tighter`."""
        good = self._profile.read_bytes()
        if b"[options]" in good:
            raise NotFeasible("the profile has options of its own")

        def restore() -> None:
            self._profile.write_bytes(good)
            self._running().send_signal(signal.SIGHUP)

        self._profile.write_bytes(good + b"\n[options]\ninhibit_charge = true\n")
        self.slides.on_heal(restore)
        self._running().send_signal(signal.SIGHUP)


def _set_link(channel: str, state: str) -> None:
    done = subprocess.run(["ip", "link", "set", channel, state], capture_output=True, check=False)
    if done.returncode:
        raise NotFeasible(done.stderr.decode(errors="replace").strip() or f"ip link set {channel} {state}")
