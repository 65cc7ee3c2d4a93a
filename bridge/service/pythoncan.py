"""Every interface other than SocketCAN, through python-can.

A python-can bus blocks while it reads, some also for seconds while they open, and one that has failed does
not heal. So each has a thread of its own that opens and reads it, and a new thread with a new bus after each
failure. The loop is woken through a socket pair.
"""

import contextlib
import errno
import socket
import threading
import time
from collections import deque
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Final

from bridge.errors import BusDown, BusError, BusFull
from bridge.frames import EXTENDED, Frame
from bridge.profile.buses import BusConfig
from bridge.service.seam import FRAMES_A_READ, Bus, BusNotice, NoticeKind, Retry

if TYPE_CHECKING:
    import can

_READ_WAIT_S: Final = 0.1  # how long a blocking read lasts, and so how long closing may take
_SEND_WAIT_S: Final = 0.005  # how long a driver may wait for room
_DRIVER_WAIT_S: Final = 0.05  # how long one that hangs may hold up the loop; while it does, not again
_HANGS_S: Final = 2.0  # a driver that is at one frame for so long is taken for dead
_INBOX_FRAMES: Final = 8192
_QUEUE_FULL_ERRORS: Final = (errno.EAGAIN, errno.ENOBUFS, errno.ETIMEDOUT)


def open_pythoncan(config: BusConfig) -> Bus:
    """Open an interface of python-can for the first time.

    Raises:
        BusError: python-can does not know the interface, lacks its driver, or cannot open the channel.
    """
    import can

    known = sorted(can.VALID_INTERFACES)
    if config.interface not in known:
        raise BusError(f"{config}: unknown interface; allowed: {', '.join(known)}")
    try:
        opened = _build(config)
    except Exception as error:  # drivers raise what they like
        raise BusError(
            f"{config}: cannot be opened: {_words(error)}; allowed: a channel that python-can's"
            f" {config.interface!r} interface can open"
        ) from error
    return PythonCanBus(config, opened)


def reopen_pythoncan(config: BusConfig) -> Bus:
    """A bus that a thread opens, in its own time; it is down until then."""
    return PythonCanBus(config, None)


class PythonCanBus:
    """A `Bus` on a python-can bus, and the threads that read and write it.

    Args:
        config: the description, from which the bus is rebuilt after a failure.
        opened: the python-can bus of the first opening; None: it is still to be opened.
    """

    def __init__(self, config: BusConfig, opened: "can.BusABC | None") -> None:
        self._config = config
        self._retry = Retry()
        self._notices: list[BusNotice] = []
        self._closed = False
        self._up = opened is not None
        self._reader: _Reader | None = _Reader(config, opened)
        self._writer: _Writer | None = None

    @property
    def name(self) -> str:
        """The bus's name in the profile."""
        return self._config.name

    def fileno(self) -> int | None:
        """The reading end of the thread's wake-up, None while the bus is down."""
        return None if self._reader is None else self._reader.fileno()

    def read(self) -> tuple[list[Frame], list[BusNotice]]:
        """Everything pending, see `Bus.read`."""
        frames: list[Frame] = []
        if self._reader is not None:
            frames, lost, errors, failure = self._reader.take()
            self._rise()
            if lost:
                self._notice(NoticeKind.LOST, f"{lost} received frames were lost: the reader was too slow")
            if errors:
                self._notice(NoticeKind.ERROR_WARNING, f"{errors} error frames since the last look")
            if failure is not None:
                self._fall(failure)
        return frames, self._take_notices()

    def send(self, frame: Frame) -> None:
        """Queue one frame, see `Bus.send`. Holds up the caller for at most some milliseconds."""
        opened = None if self._reader is None else self._reader.opened
        if opened is None:
            raise BusDown(f"{self._config} is down")
        if self._writer is None or self._writer.opened is not opened:
            self._end_writer()
            self._writer = _Writer(self.name, opened)
        try:
            self._writer.send(frame)
        except Exception as error:  # drivers raise what they like
            if not _says_full(error):
                self._fall(_words(error))
                raise BusDown(f"{self._config} is down: {_words(error)}") from error
            raise BusFull(f"{self._config}: the transmit queue is full") from error

    def tend(self, now_us: int) -> list[BusNotice]:
        """Start a new thread with a new bus if the last one failed; see `Bus.tend`."""
        self._rise()
        if self._reader is None and not self._closed and self._retry.due(now_us):
            self._reader = _Reader(self._config)
        return self._take_notices()

    def close(self) -> None:
        """Stop the thread and shut the bus down for good."""
        self._closed = True
        self._end_writer()
        if self._reader is not None:
            self._reader.stop()
            self._reader.join()
            self._reader = None

    def _rise(self) -> None:
        """Say so once if the reader has opened the bus after an outage."""
        if not self._up and self._reader is not None and self._reader.opened is not None:
            self._up = True
            self._retry.over()
            self._notice(NoticeKind.UP, f"{self._config.channel} is up")

    def _fall(self, reason: str) -> None:
        """The bus is dead: let go of its threads, and say so once an outage."""
        self._end_writer()
        if self._reader is not None:
            self._reader.stop()
            self._reader = None
        self._retry.again()
        if self._up:
            self._up = False
            self._notice(NoticeKind.DOWN, f"{self._config.channel} is down: {reason}")

    def _end_writer(self) -> None:
        if self._writer is not None:
            self._writer.stop()
            self._writer = None

    def _notice(self, kind: NoticeKind, text: str) -> None:
        self._notices.append(BusNotice(self.name, kind, text))

    def _take_notices(self) -> list[BusNotice]:
        taken, self._notices = self._notices, []
        return taken


class _Reader:
    """The thread that opens one python-can bus and reads it until it fails or is told to stop.

    Attributes:
        opened: the bus, once it is open and until it has failed.

    Args:
        config: the description of the bus.
        opened: the bus if it is open already.
    """

    def __init__(self, config: BusConfig, opened: "can.BusABC | None" = None) -> None:
        self.opened = opened
        self._config = config
        self._inbox: deque[Frame] = deque()
        self._lost = self._lost_told = 0  # the first of each pair is the thread's, the second the loop's
        self._errors = self._errors_told = 0
        self._failure: str | None = None
        self._stopping = threading.Event()
        self._wake_out, self._wake_in = socket.socketpair()
        for end in (self._wake_out, self._wake_in):
            end.setblocking(False)
        self._thread = threading.Thread(target=self._run, name=f"bus {config.name}", daemon=True)
        self._thread.start()

    def fileno(self) -> int:
        """Readable when `take` has something."""
        return self._wake_out.fileno()

    def take(self) -> tuple[list[Frame], int, int, str | None]:
        """Frames read, numbers of frames lost and of error frames, and why the thread ended if it has."""
        with contextlib.suppress(BlockingIOError):
            self._wake_out.recv(4096)
        failure = self._failure  # looked at first: whatever was read before the failure is in the inbox then
        inbox = self._inbox
        frames = [inbox.popleft() for _ in range(min(len(inbox), FRAMES_A_READ))]
        if inbox:
            self._wake()
            failure = None
        lost, errors = self._lost, self._errors
        told = (lost - self._lost_told, errors - self._errors_told)
        self._lost_told, self._errors_told = lost, errors
        return frames, *told, failure

    def stop(self) -> None:
        """Tell the thread to end, which shuts its bus down, without waiting for it."""
        self._stopping.set()
        self._wake_out.close()

    def join(self) -> None:
        """Wait for the end of the thread. A driver may hang: its thread then ends with the program."""
        self._thread.join(10 * _READ_WAIT_S)

    def _run(self) -> None:
        opened = self.opened
        try:
            if opened is None:
                self.opened = opened = _build(self._config)
                self._wake()
            while not self._stopping.is_set():
                message = opened.recv(_READ_WAIT_S)
                if message is not None:
                    self._post(message)
        except Exception as error:  # drivers raise what they like, and the loop must hear of all of it
            self._failure = _words(error)
        finally:
            self.opened = None
            if opened is not None:
                with contextlib.suppress(Exception):
                    opened.shutdown()
            self._wake()
            self._wake_in.close()

    def _post(self, message: "can.Message") -> None:
        if message.is_error_frame:
            self._errors += 1
            self._wake()
            return
        key = message.arbitration_id | (EXTENDED if message.is_extended_id else 0)
        keys = self._config.keys
        # Some interfaces hand over what was sent through them, too: that is nobody else's.
        if (
            message.is_remote_frame
            or message.is_fd
            or not message.is_rx
            or (keys is not None and key not in keys)
        ):
            return
        if len(self._inbox) >= _INBOX_FRAMES:
            self._lost += 1
            return
        self._inbox.append(Frame(self._config.name, key, bytes(message.data)))
        self._wake()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # full: the loop will wake anyway; closed: nobody listens
            self._wake_in.send(b"\0")


class _Writer:
    """The thread that gives frames to one python-can bus, one at a time: a driver may hang in it.

    Attributes:
        opened: the bus.
    """

    def __init__(self, name: str, opened: "can.BusABC") -> None:
        self.opened = opened
        self._orders: SimpleQueue[tuple[can.Message, SimpleQueue[Exception | None]] | None] = SimpleQueue()
        self._open_answer: SimpleQueue[Exception | None] | None = None
        self._since_s = 0.0
        threading.Thread(target=self._run, name=f"bus {name}, out", daemon=True).start()

    def send(self, frame: Frame) -> None:
        """Gives one frame to the driver; raises what it raises, or that it takes too long.

        While the driver is at a frame no other one is taken, so that none overtakes it.
        """
        import can

        if self._open_answer is None or self._settled(self._open_answer, 0.0):
            message = can.Message(
                arbitration_id=frame.can_id, is_extended_id=frame.extended, data=frame.data, check=True
            )
            answer: SimpleQueue[Exception | None] = SimpleQueue()
            self._orders.put((message, answer))
            self._since_s = time.monotonic()
            if self._settled(answer, _DRIVER_WAIT_S):
                return
        if time.monotonic() - self._since_s > _HANGS_S:
            raise TimeoutError(f"the driver has been at one frame for {_HANGS_S:g} s")
        raise can.CanTimeoutError("the driver is still at a frame")

    def stop(self) -> None:
        """The thread ends as soon as the driver lets it."""
        self._orders.put(None)

    def _settled(self, answer: "SimpleQueue[Exception | None]", wait_s: float) -> bool:
        """Whether the driver is done with a frame; until then the answer is open. Raises what it raised."""
        self._open_answer = answer
        try:
            problem = answer.get(timeout=wait_s) if wait_s else answer.get_nowait()
        except Empty:
            return False
        self._open_answer = None
        if problem is not None:
            raise problem
        return True

    def _run(self) -> None:
        while (order := self._orders.get()) is not None:
            message, answer = order
            problem = None
            try:
                self.opened.send(message, timeout=_SEND_WAIT_S)
            except Exception as error:
                problem = error
            answer.put(problem)


def _build(config: BusConfig) -> "can.BusABC":
    import can

    options: dict[str, Any] = {"bitrate": config.bitrate, **dict(config.options)}
    # Without its configuration files, python-can does what the profile says and nothing else.
    return can.Bus(channel=config.channel, interface=config.interface, ignore_config=True, **options)


def _says_full(error: Exception) -> bool:
    import can

    if isinstance(error, can.CanTimeoutError):
        return True
    code = getattr(error, "error_code", None) or getattr(error, "errno", None)
    return code in _QUEUE_FULL_ERRORS


def _words(error: Exception) -> str:
    return str(error) or type(error).__name__
