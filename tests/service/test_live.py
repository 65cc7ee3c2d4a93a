"""The real world with python-can's in-process interface: clock, frames, signals, reload."""

import os
import signal
import threading
import time

import can
import pytest

from bridge.errors import BusError
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.service.live import LiveWorld
from bridge.service.world import Aborted, Request


def config(channel: str, name: str = "cabin", interface: str = "virtual") -> BusConfig:
    """A bus in this process."""
    return BusConfig(name, interface, channel)


def test_frames_come_in_with_the_stamp_of_the_wake_up() -> None:
    """A wait ends when a frame comes, well before its deadline, and stamps it with engine time."""
    world = LiveWorld((config("live-a"),))
    try:
        with can.Bus(interface="virtual", channel="live-a") as peer:
            peer.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\x01\x02"))
            before = world.now_us()
            batch = world.wait(before + 30_000_000)
            while not batch.frames and world.now_us() < before + 30_000_000:
                batch = world.wait(before + 30_000_000)
            assert batch.frames == [Frame("cabin", 0x123, b"\x01\x02")]
            assert before <= batch.t_us <= world.now_us() < before + 30_000_000
    finally:
        world.close()


def test_frames_go_out() -> None:
    """What is sent arrives at a peer on the channel."""
    world = LiveWorld((config("live-b"),))
    try:
        with can.Bus(interface="virtual", channel="live-b") as peer:
            world.send(Frame("cabin", 0x80000000 | 0x12345, b"\x09"))
            got = peer.recv(10)
            assert got is not None
            assert (got.arbitration_id, got.is_extended_id, bytes(got.data)) == (0x12345, True, b"\x09")
    finally:
        world.close()


def test_a_wait_without_input_ends_at_its_deadline() -> None:
    """Nothing comes: the wait returns, not before the deadline by more than the look after the buses."""
    world = LiveWorld((config("live-c"),))
    try:
        until_us = world.now_us() + 250_000
        while world.now_us() < until_us:
            assert world.wait(until_us).frames == []
        assert world.now_us() >= until_us
    finally:
        world.close()


@pytest.mark.parametrize(
    ("number", "request_"),
    [
        (signal.SIGTERM, Request.STOP),
        (signal.SIGINT, Request.STOP),
        (signal.SIGHUP, Request.RELOAD),
        (signal.SIGUSR1, Request.STATUS),
    ],
)
def test_signals_are_requests(number: signal.Signals, request_: Request) -> None:
    """A signal wakes the wait and is handed over as what it asks for."""
    world = LiveWorld((config("live-d"),))
    before = signal.getsignal(number)
    try:
        with world.signals():
            os.kill(os.getpid(), number)
            assert world.wait(world.now_us() + 30_000_000).requests == [request_]
        assert signal.getsignal(number) is before
    finally:
        world.close()


@pytest.mark.parametrize(
    "number", [signal.SIGQUIT, signal.SIGALRM, signal.SIGUSR2, signal.SIGXCPU, signal.SIGPWR]
)
def test_whatever_else_would_end_the_program_is_a_stop(number: signal.Signals) -> None:
    """Zero currents come first, however it is ended; and a second one is as good as one."""
    world = LiveWorld((config("live-h"),))
    try:
        with world.signals():
            os.kill(os.getpid(), number)
            os.kill(os.getpid(), signal.SIGTERM)
            assert set(world.wait(world.now_us() + 30_000_000).requests) == {Request.STOP}
    finally:
        world.close()


def test_keys_and_terminals_do_not_halt_the_program() -> None:
    """A suspended program would leave its last frame standing."""
    world = LiveWorld((config("live-i"),))
    try:
        with world.signals():
            for number in (signal.SIGTSTP, signal.SIGTTOU, signal.SIGPIPE):
                os.kill(os.getpid(), number)
            assert world.wait(world.now_us() + 1000).requests == []
    finally:
        world.close()


def test_the_watchdog_s_signal_ends_whatever_is_waited_for_once() -> None:
    """It is raised where the program stands; while the zeros are under way it is not heard again."""
    world = LiveWorld((config("live-j"),))
    try:
        with world.signals():
            threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGABRT)).start()
            with pytest.raises(Aborted):
                time.sleep(20.0)
            os.kill(os.getpid(), signal.SIGABRT)
        assert signal.getsignal(signal.SIGABRT) is signal.SIG_DFL
    finally:
        world.close()


def test_engine_time_goes_on_while_the_machine_sleeps() -> None:
    """What was received before is old afterwards: the clock counts from boot, awake or not."""
    world = LiveWorld((config("live-k"),))
    try:
        before = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000 - world.now_us()
        assert before + world.now_us() <= time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000 + 1000
        assert abs(world.now_us() - time.time_ns() // 1000) < 1_000_000
    finally:
        world.close()


def test_an_interface_that_does_not_exist_is_one_clear_error() -> None:
    """The error names bus, interface and channel."""
    with pytest.raises(BusError, match=r"cabin.*no_such_kind.*live-e"):
        LiveWorld((config("live-e", interface="no_such_kind"),))


def test_reopening_keeps_what_is_the_same_and_survives_a_failure() -> None:
    """A bus described as before is not touched; when another cannot be opened, nothing changes."""
    world = LiveWorld((config("live-f"),))
    try:
        with pytest.raises(BusError):
            world.reopen((config("live-f"), config("x", "shore", "no_such_kind")))
        with can.Bus(interface="virtual", channel="live-f") as peer:
            world.send(Frame("cabin", 1, b""))
            assert peer.recv(10) is not None
        world.reopen((config("live-f"), config("live-g", "shore")))
        with can.Bus(interface="virtual", channel="live-g") as peer:
            world.send(Frame("shore", 2, b""))
            assert peer.recv(10) is not None
        world.reopen((config("live-g", "shore"),))
        with pytest.raises(KeyError):
            world.send(Frame("cabin", 1, b""))
    finally:
        world.close()
